"""Grades: every refusal alone, every step of grade, and a home-made bench that reaches the third."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from legtest.description import read_bench, read_leg
from legtest.description.model import BenchDescription
from legtest.description.protection import EnablingDevice, Protection
from legtest.readiness import Found, Grade, Readiness, assess, capped, figures
from legtest.safety.port import PrecheckStep
from legtest.signoff import SignOff
from legtest.wiring import setup_of

ROOT = Path(__file__).parents[2]
NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
LEG = read_leg(ROOT / "fixtures/legs/tarn-fl.yaml")
HOMEMADE = read_bench(ROOT / "fixtures/benches/streams.yaml")
FENCED = read_bench(ROOT / "fixtures/benches/streams-fenced.yaml")
SIGNED = SignOff("somebody", False, (4101, 4102, 4103), NOW, NOW + timedelta(hours=8))
STEPS = (PrecheckStep("identity", "serials", {}),)


def protection_of(bench: BenchDescription) -> Protection:
    assert bench.protection is not None
    return bench.protection


def ready(
    bench: BenchDescription = FENCED, signoff: SignOff | None = SIGNED, *, steps: Any = STEPS, refused: str = "",
    **changes: Any,
) -> Readiness:  # fmt: skip
    """The assessment of the fenced bench, some of its lines changed."""
    changed = replace(bench, protection=protection_of(bench)._replace(**changes)) if changes else bench
    return assess(LEG, changed, signoff, Found(setup_of(LEG, bench), steps, refused))


def test_a_home_made_bench_reaches_torque_capped_motion() -> None:
    found = ready(HOMEMADE)
    assert (found.grade, found.allowed_class, found.lift_m) == (Grade.TORQUE_CAPPED, 1, None)
    assert {refusal.grade for refusal in found.refusals} == {Grade.FREE_MOTION}
    assert {refusal.subject for refusal in found.refusals} == {
        "brake clamp", "braking energy", "anchorage", "fence or enabling device",
    }  # fmt: skip
    assert found.step == "Take a stronger clamp"


def test_the_fenced_bench_reaches_free_motion() -> None:
    assert ready() == Readiness(Grade.FREE_MOTION, (), "", 3, None)


def test_the_rehearsal_bench_reaches_free_motion() -> None:
    bench = read_bench(ROOT / "fixtures/benches/rehearsal.yaml")
    assert assess(LEG, bench, SIGNED, Found(setup_of(LEG, bench), STEPS)).grade is Grade.FREE_MOTION


def _stop(**changes: Any) -> dict[str, Any]:
    stop = protection_of(FENCED).emergency_stop
    assert stop is not None
    return {"emergency_stop": stop._replace(**changes)}


def _line(name: str, **changes: Any) -> dict[str, Any]:
    return {name: getattr(protection_of(FENCED), name)._replace(**changes)}


# what is changed on a bench that is ready for everything -> (grade it falls to, subject of the refusal, words)
LINES: list[tuple[dict[str, Any], Grade, str, str]] = [
    ({"adapter": None}, Grade.LISTEN, "adapter", "serial number"),
    ({"emergency_stop": None}, Grade.UNPOWERED, "emergency stop", "none"),
    (_stop(latching=False), Grade.UNPOWERED, "emergency stop", "momentary"),
    (_stop(distance_m=1.1), Grade.UNPOWERED, "emergency stop", "1.1 m away"),
    (_stop(cuts="enable signal"), Grade.UNPOWERED, "emergency stop", "cuts the enable signal only"),
    ({"supply": None}, Grade.UNPOWERED, "supply", "not limited"),
    (_line("supply", current_limit_A=None), Grade.UNPOWERED, "supply", "not limited"),
    (_line("catch", stretch_m=0.002), Grade.UNPOWERED, "catch", "takes 517 N"),
    ({"catch": None}, Grade.TORQUE_CAPPED, "catch", "none"),
    ({"brake_clamp_N": 50.0}, Grade.UNPOWERED, "brake clamp", "holds 50 N"),
    ({"brake_clamp_N": 300.0}, Grade.TORQUE_CAPPED, "brake clamp", "holds 300 N"),
    ({"brake_clamp_N": None}, Grade.TORQUE_CAPPED, "brake clamp", "none"),
    ({"anchorage": None}, Grade.UNPOWERED, "anchorage", "none"),
    (_line("anchorage", rated_force_N=40.0), Grade.UNPOWERED, "anchorage", "rated 40 N"),
    (_line("anchorage", rated_moment_Nm=200.0), Grade.TORQUE_CAPPED, "anchorage", "200 N*m"),
    ({"fence": None}, Grade.TORQUE_CAPPED, "fence or enabling device", "none"),
    (_line("fence", closed=False), Grade.TORQUE_CAPPED, "fence or enabling device", "open on a side"),
    (_line("fence", distance_m=0.36), Grade.TORQUE_CAPPED, "fence or enabling device", "0.36 m away"),
    ({"braking": None}, Grade.TORQUE_CAPPED, "braking energy", "nothing is said"),
    (_line("braking", clamp_power_W=None), Grade.TORQUE_CAPPED, "braking energy", "has 12.6 J"),
    (_line("braking", clamp_power_W=100.0), Grade.TORQUE_CAPPED, "braking energy", "has 100 W"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "grade", "subject", "words"), LINES)
def test_each_line_alone_lowers_the_grade(change: dict[str, Any], grade: Grade, subject: str, words: str) -> None:
    found = ready(**change)
    assert found.grade is grade
    refusals = [refusal for refusal in found.refusals if refusal.grade == grade + 1]
    assert [refusal.subject for refusal in refusals] == [subject]
    assert words in str(refusals[0])
    assert found.step == refusals[0].way_out


SIGNOFFS: list[tuple[SignOff | None, Grade, str, int]] = [
    (None, Grade.UNPOWERED, "sign-off", 0),
    (replace(SIGNED, grade=Grade.UNPOWERED), Grade.UNPOWERED, "sign-off", 0),
    (replace(SIGNED, grade=Grade.TORQUE_CAPPED, carriage="lowest"), Grade.TORQUE_CAPPED, "sign-off", 1),
    (replace(SIGNED, attended=False), Grade.TORQUE_CAPPED, "sign-off", 1),
]  # fmt: skip


@pytest.mark.parametrize(("signoff", "grade", "subject", "allowed"), SIGNOFFS)
def test_each_sign_off_alone(signoff: SignOff | None, grade: Grade, subject: str, allowed: int) -> None:
    found = ready(signoff=signoff)
    assert (found.grade, found.allowed_class) == (grade, allowed)
    assert [refusal.subject for refusal in found.refusals] == [subject]


def test_unattended_motion_needs_a_closed_fence() -> None:
    alone = replace(SIGNED, attended=False)
    assert ready(signoff=alone).grade is Grade.TORQUE_CAPPED
    found = ready(HOMEMADE, alone)
    assert found.grade is Grade.UNPOWERED
    assert found.step == "Sign off for an attended run"


@pytest.mark.parametrize(
    ("positions", "cuts", "enough"),
    [(3, "motor supply", True), (3, "all supplies", True), (3, "enable signal", False), (2, "motor supply", False)],
)
def test_an_enabling_device_stands_for_a_fence(positions: int, cuts: str, enough: bool) -> None:
    found = ready(fence=None, enabling_device=EnablingDevice(positions, cuts))
    assert (found.grade is Grade.FREE_MOTION) == enough


def test_a_carriage_at_its_lowest_stands_for_a_catch_but_lifts_little() -> None:
    lowest = replace(SIGNED, grade=Grade.TORQUE_CAPPED, carriage="lowest")
    found = ready(HOMEMADE, lowest, catch=None, brake_clamp_N=None)
    assert (found.grade, found.lift_m) == (Grade.TORQUE_CAPPED, 0.05)
    assert ready(HOMEMADE, lowest).lift_m == 0.05  # a catch that nobody saw fitted
    neither = ready(HOMEMADE, replace(lowest, carriage="clamped"), catch=None, brake_clamp_N=None)
    assert neither.grade is Grade.UNPOWERED
    assert neither.step == "Let the carriage rest on its lower block, and sign that off"


def test_what_a_scan_says() -> None:
    unscanned = ready(signoff=None, steps=None)
    step = "Scan the unpowered leg: the same command with --listen 1"
    assert (unscanned.grade, unscanned.step) == (Grade.LISTEN, step)
    assert ready(steps=None).grade is Grade.FREE_MOTION  # whoever signed it off has scanned it
    broken = ready(steps=None, refused="node 2 did not answer")
    assert broken.grade is Grade.LISTEN
    assert "node 2 did not answer" in str(broken.refusals[0])


@pytest.mark.parametrize(
    ("opens_s", "grade"), [(None, Grade.UNPOWERED), (0.2, Grade.UNPOWERED), (0.08, Grade.FREE_MOTION)]
)
def test_drives_that_do_not_stop_by_themselves(opens_s: float | None, grade: Grade) -> None:
    bench = replace(FENCED, protection=protection_of(FENCED)._replace(supply_switch_s=opens_s))
    setup = replace(setup_of(LEG, FENCED), arm=(None, None, None))
    found = assess(LEG, bench, SIGNED, Found(setup, STEPS))
    assert found.grade is grade
    assert [refusal.subject for refusal in found.refusals] == ([] if opens_s == 0.08 else ["supply switch"])


def test_a_simulated_bench_says_what_a_live_one_would_lack() -> None:
    bench = read_bench(ROOT / "fixtures/benches/simulated.yaml")
    found = assess(LEG, bench, None, None)
    assert found.grade is Grade.LISTEN
    assert [refusal.subject for refusal in found.refusals][:2] == ["scan", "bus.interface"]
    missing = next(refusal for refusal in found.refusals if refusal.subject == "protection")
    assert "emergency_stop, enabling_device, fence" in missing.expected


def test_all_refusals_at_once() -> None:
    """A bench with nothing: one refusal for each thing asked for, lowest grade first, cheapest first in it."""
    nothing = Protection(1.9, *[None] * 10)
    bench = replace(FENCED, protection=nothing)
    found = assess(LEG, bench, None, Found(replace(setup_of(LEG, FENCED), arm=(None,) * 3)))
    assert found.grade is Grade.LISTEN
    assert [refusal.grade for refusal in found.refusals] == sorted(refusal.grade for refusal in found.refusals)
    assert {refusal.subject for refusal in found.refusals} == {
        "scan", "adapter", "emergency stop", "sign-off", "carriage", "catch", "brake clamp", "supply", "supply switch",
        "anchorage", "braking energy", "fence or enabling device",
    }  # fmt: skip
    assert found.allowed_class == 0


def test_what_others_found_stands_in_place_of_our_own() -> None:
    own = ready(signoff=None).refusals[0]
    instead = own._replace(found="it is of yesterday")
    setup = setup_of(LEG, FENCED)
    assert assess(LEG, FENCED, None, Found(setup, STEPS), more=(instead,)).refusals == (instead,)


@pytest.mark.parametrize(
    ("grade", "caps"),
    [
        (Grade.LISTEN, (0.0, 0.0, 0.0)),
        (Grade.UNPOWERED, (0.0, 0.0, 0.0)),
        (Grade.TORQUE_CAPPED, (3.0, 3.0, 3.0)),
        (Grade.FREE_MOTION, (18.0, 18.0, 18.0)),
    ],
)
def test_capped(grade: Grade, caps: tuple[float, ...]) -> None:
    setup = capped(setup_of(LEG, FENCED), grade)
    assert setup.torque_Nm == caps
    assert all(trial <= cap for trial, cap in zip(setup.trial_torque_Nm, caps, strict=True))
    assert setup.trial_torque_Nm == pytest.approx((min(2.7, caps[0]),) * 3)


# ---------------------------------------------------------------- the figures, against numbers worked out by hand
def test_catch_force() -> None:
    """W = 3.1 kg * 9.81; 15 mm of fall, 60 mm of stretch: F = 2 * 30.41 * 75 / 60 = 76.0 N."""
    catch = protection_of(FENCED).catch
    assert catch is not None
    weight = figures.weight_N(protection_of(FENCED), FENCED.stand)
    assert weight == pytest.approx(30.411)
    assert figures.catch_force_N(catch, weight) == pytest.approx(76.03, abs=0.01)
    assert figures.catch_force_N(catch._replace(drop_m=0.0), weight) == pytest.approx(2 * weight)  # sudden load: twice


def test_room_and_energy() -> None:
    """10 mF from 25 V to 56 V: 0.5 * 0.01 * (3136 - 625) = 12.555 J."""
    braking = protection_of(FENCED).braking
    assert braking is not None
    assert figures.room_J(braking, 25.0) == pytest.approx(12.555)
    assert figures.room_J(braking, 60.0) == 0.0
    still = figures.motion_energy_J(LEG, protection_of(FENCED), FENCED.stand, [0.0, 0.0, 0.0])
    assert still == pytest.approx(30.411 * 0.36)  # only the height is left
    # all joints at 1 rad/s: foot hypot(0.36 + 0.188, 0.36) m/s; 0.5 * 1.9 * 0.4299 + 1.5 * 0.012
    moving = figures.motion_energy_J(LEG, protection_of(FENCED), FENCED.stand, [1.0, 1.0, 1.0])
    assert moving - still == pytest.approx(0.5 * 1.9 * (0.548**2 + 0.36**2) + 0.018)


def test_push_and_moment() -> None:
    assert figures.push_N(LEG, [3.0, 3.0, 3.0]) == pytest.approx(50.0)
    assert figures.tipping_moment_Nm(LEG, FENCED.stand, [3.0, 3.0, 3.0]) == pytest.approx(50 * 0.52 + 9)
    assert figures.reach_m(LEG) == pytest.approx((0.36**2 + 0.061**2) ** 0.5)
    assert figures.braking_power_W([18.0, 18.0], [2.0, 3.0]) == 90.0
