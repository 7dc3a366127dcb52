"""The walk at simulated legs: what a right leg leaves as evidence, and how each wrong one is found unpowered."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, pi
from typing import Any

import pytest
from walking import BENCH, LEG, NOW, SERIALS, Bench, with_drives

from legtest.canbus.frame import SENT
from legtest.cli.played import NAME, PlayedPerson
from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import NotPermitted, PrecheckRefused
from legtest.signoff import walk
from legtest.signoff.document import MOST_POINTS
from legtest.signoff.walk import Task


def bench_with(**changes: Any) -> BenchDescription:
    assert BENCH.protection is not None
    return replace(BENCH, protection=BENCH.protection._replace(**changes))


def cutting(what: str) -> BenchDescription:
    assert BENCH.protection is not None
    assert BENCH.protection.emergency_stop is not None
    return bench_with(emergency_stop=BENCH.protection.emergency_stop._replace(cuts=what))


def refusal(bench: Bench) -> PrecheckRefused:
    """Why the walk ended; the leg was never energised by it."""
    with pytest.raises(PrecheckRefused) as caught:
        bench.walk.run()
    assert not caught.value.powered
    assert not any(axis.powered for axis in bench.rig.axes)
    return caught.value


def test_a_right_leg() -> None:
    bench = Bench()
    sent = []
    bench.rig.bus.attach(sent.append)
    bench.walk.run()
    assert bench.walk.grade is Grade.FREE_MOTION
    document = bench.walk.document(NOW, rehearsal=False)
    assert (document["by"], document["attended"], document["carriage"]) == (NAME, True, "caught")
    assert document["serials"] == SERIALS
    for joint, move in zip(LEG.joints, bench.walk.moves, strict=True):
        track = move.angles_rad[joint.name]
        assert move.joint == joint.name
        assert len(track) <= MOST_POINTS
        low, high = joint.travel_rad
        assert degrees(track[-1] - track[0]) == pytest.approx(degrees(high - low), rel=0.01)
    for seen in bench.walk.stop:
        assert 0.4 < seen.back_s - seen.lost_s < 0.7
    energising = [f for f in sent if not f.flags & SENT and 0x201 <= f.can_id <= 0x203 and f.data[0] & 0x0F == 0x0F]
    assert energising == []


def test_a_port_that_only_looks_never_energises() -> None:
    bench = Bench()
    with pytest.raises(NotPermitted, match="a sign-off never moves"):
        bench.port.precheck()


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody is waited for long in tests."""
    monkeypatch.setattr(walk, "PATIENCE_NS", 5_000_000_000)
    monkeypatch.setattr(walk, "STOP_PATIENCE_NS", 5_000_000_000)


KNEE, HIP, ABDUCTION = (LEG.joint(name).drive for name in ("knee", "hip", "abduction"))
WRONG_LEGS: list[tuple[str, LegDescription, list[str]]] = [
    (
        "node ids of hip and knee swapped",
        with_drives(LEG, hip={"node": 3, "serial": 4103}, knee={"node": 2, "serial": 4102}),
        ["hip (node 3): moved when the knee was moved", "knee (node 2): moved when the hip was moved"],
    ),
    (
        "node ids of abduction and hip swapped",
        with_drives(LEG, abduction={"node": 2, "serial": 4102}, hip={"node": 1, "serial": 4101}),
        ["abduction (node 2): moved when the hip", "hip (node 1): moved when the abduction"],
    ),
    ("sign of the knee", with_drives(LEG, knee={"sign": -KNEE.sign}), ["knee (node 3): moved -", "wrong sign"]),
    ("sign of the hip", with_drives(LEG, hip={"sign": -HIP.sign}), ["hip (node 2): moved -", "wrong sign"]),
    (
        "gear of the hip x 1.1",
        with_drives(LEG, hip={"counts_per_turn": 1.1 * HIP.counts_per_turn}),
        ["hip (node 2): moved +0.90", "gear or encoder"],
    ),
    (
        "gear of the knee x 1.05",
        with_drives(LEG, knee={"counts_per_turn": 1.05 * KNEE.counts_per_turn}),
        ["knee (node 3): moved +0.95", "gear or encoder"],
    ),
    (
        "degrees for radians",
        with_drives(LEG, abduction={"counts_per_turn": ABDUCTION.counts_per_turn * pi / 180}),
        ["abduction (node 1): moved +57.", "degrees taken for radians"],
    ),
    (
        "radians for degrees",
        with_drives(LEG, hip={"counts_per_turn": HIP.counts_per_turn * 180 / pi}),
        ["hip (node 2)", "did not move"],
    ),
]


@pytest.mark.parametrize(("said", "why"), [case[1:] for case in WRONG_LEGS], ids=[case[0] for case in WRONG_LEGS])
def test_a_wrong_file_is_found_by_hand(said: LegDescription, why: list[str]) -> None:
    error = refusal(Bench(said=said))
    assert error.step == "hand-moves"
    for words in why:
        assert words in error.value


def test_only_the_wrong_joint_is_named() -> None:
    """A sign that is wrong at the hip shows in the knee's angle as well, through the belt; it is not blamed for it."""
    error = refusal(Bench(said=with_drives(LEG, hip={"sign": -1})))
    assert "knee" not in error.value
    assert "abduction" not in error.value


@pytest.mark.parametrize("scale", [0.975, 1.025])
def test_a_scale_within_three_per_cent_passes(scale: float) -> None:
    drives = {joint.name: {"counts_per_turn": scale * joint.drive.counts_per_turn} for joint in LEG.joints}
    Bench(said=with_drives(LEG, **drives)).walk.run()


class Clumsy(PlayedPerson):
    """Moves the hip with the knee, and lets the others fall when told to hold them."""

    def begin(self, task: Task) -> None:
        super().begin(task._replace(joint="knee") if task.joint == "hip" else task)


def test_the_wrong_joint_moved_is_not_taken_for_the_right_one() -> None:
    assert "hip (node 2): did not move when the hip was moved by hand" in refusal(Bench(person=Clumsy)).value


class Hasty(PlayedPerson):
    """Says done before anything has moved."""

    def answered(self) -> str | None:
        self._going = None
        return super().answered() or ""


def test_ticks_without_movement_are_no_evidence() -> None:
    answers = {"": "yes", "How is the carriage held": "caught"}
    assert "at least 20 samples" in refusal(Bench(person=Hasty, answers=answers)).value


@pytest.mark.parametrize("cuts", ["motor supply", "all supplies"])
def test_what_the_stop_cuts_is_seen(cuts: str) -> None:
    bench = Bench(bench=cutting(cuts))
    bench.walk.run()
    assert bench.walk.grade is Grade.FREE_MOTION
    volts = [seen.supply_V for seen in bench.walk.stop]
    if cuts == "motor supply":
        assert all(volt is not None and volt < 10.0 for volt in volts), volts  # capacitors take a while from 48 V
    else:
        assert volts == [None] * 3


@pytest.mark.parametrize(("declared", "logic"), [("all supplies", False)])
def test_a_stop_that_cuts_less_than_declared(declared: str, logic: bool) -> None:
    error = refusal(Bench(bench=cutting(declared), logic=logic))
    assert error.step == "emergency stop pressed"
    assert "no change on the bus" in error.value


class Unwired(PlayedPerson):
    """Presses a button that is not connected."""

    def begin(self, task: Task) -> None:
        if task.kind not in ("press", "release"):
            super().begin(task)


class Stuck(PlayedPerson):
    """Cannot release the button again."""

    def begin(self, task: Task) -> None:
        if task.kind != "release":
            super().begin(task)


@pytest.mark.parametrize(("person", "step"), [(Unwired, "emergency stop pressed"), (Stuck, "emergency stop released")])
def test_a_stop_that_the_bus_does_not_see(person: type[PlayedPerson], step: str) -> None:
    assert refusal(Bench(person=person)).step == step


@pytest.mark.parametrize("change", [{"emergency_stop": None}, {"emergency_stop": "enable signal"}])
def test_without_a_provable_stop_the_grade_is_unpowered(change: dict[str, Any]) -> None:
    bench = Bench(bench=bench_with(**change) if change["emergency_stop"] is None else cutting("enable signal"))
    bench.walk.run()
    assert bench.walk.grade is Grade.UNPOWERED
    assert bench.walk.stop == ()
    assert len(bench.walk.moves) == 3


@pytest.mark.parametrize(("carriage", "grade"), [("lowest", Grade.TORQUE_CAPPED), ("clamped", Grade.TORQUE_CAPPED)])
def test_a_carriage_that_is_not_caught_lowers_the_grade(carriage: str, grade: Grade) -> None:
    bench = Bench(carriage=carriage)
    bench.walk.run()
    assert bench.walk.grade is grade


@pytest.mark.parametrize("carriage", ["caught", "clamped", "", "hanging"])
def test_a_device_that_the_bench_file_does_not_have(carriage: str) -> None:
    error = refusal(Bench(bench=bench_with(catch=None, brake_clamp_N=None), carriage=carriage))
    assert (error.step, error.expected) == ("carriage", "one of lowest")


@pytest.mark.parametrize("key", ["The power stages", "Nobody else", "Pins and clamps", "Everybody is outside"])
@pytest.mark.parametrize("answer", ["", "no", "maybe"])
def test_every_confirmation_is_asked_for_and_no_is_an_answer(key: str, answer: str) -> None:
    error = refusal(Bench(answers={key: answer}))
    assert error.step.startswith(key)


class Absent(PlayedPerson):
    """Has gone home."""

    def answered(self) -> str | None:
        return None


def test_nobody_there() -> None:
    assert "no answer" in refusal(Bench(person=Absent)).value


def test_an_unattended_run_is_kept_in_the_file() -> None:
    bench = Bench(answers={"Does somebody stay": "no"})
    bench.walk.run()
    assert bench.walk.document(NOW, rehearsal=False)["attended"] is False


def test_another_drive_than_the_file_s_is_found_before_anybody_is_asked_to_press() -> None:
    error = refusal(Bench(said=with_drives(LEG, hip={"serial": 7})))
    assert error.step == "identity"
