"""Before motion: identity, telemetry at rest, offsets after power-up, twitches. Made-up samples, sound legs, faults."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from made_up import LEG, moved
from simulated import assert_holds, simulated

from legtest.canbus.frame import SENT, Frame
from legtest.errors import LegtestError, NotRun, UsageError
from legtest.live import NobodysHands
from legtest.metrology.verdict import Word
from legtest.procedures import at_rest, identity, power_up, twitch
from legtest.quantities import QUANTITIES

COUNT = 2 * pi / 65536
NAMES = LEG.joint_names


# ------------------------------------------------------------------ identity
def _read(node: int, index: int, sub: int, value: int, size: int = 4) -> list[Frame]:
    """A read of an object and its expedited answer (CiA 301)."""
    head = bytes((index & 0xFF, index >> 8, sub))
    answer = bytes((0x43 | (4 - size) << 2,)) + head + value.to_bytes(4, "little")
    return [Frame(0, 0x600 + node, bytes((0x40,)) + head + bytes(4), SENT), Frame(9, 0x580 + node, answer)]


def _write(node: int, index: int, sub: int, value: int) -> list[Frame]:
    head = bytes((index & 0xFF, index >> 8, sub))
    sent = bytes((0x23,)) + head + value.to_bytes(4, "little")
    return [Frame(0, 0x600 + node, sent, SENT), Frame(9, 0x580 + node, bytes((0x60,)) + head + bytes(4))]


def _identities(changed: dict[tuple[int, int], int]) -> list[Frame]:
    frames = []
    for joint in LEG.joints:
        drive = joint.drive
        for sub, number in enumerate((drive.vendor, drive.product, drive.revision, drive.serial), 1):
            frames += _read(drive.node, 0x1018, sub, changed.get((drive.node, sub), number or 0))
    return frames


def _mismatches(frames: list[Frame]) -> dict[str, float]:
    recorded = moved([("look", {})], {"bit_rate": 1e6}, frames={"look": frames})
    return {m.subject: m.value for m in identity.evaluate(recorded)}


def test_identity_counts_what_differs() -> None:
    assert _mismatches(_identities({})) == {"abduction": 0, "hip": 0, "knee": 0}
    assert _mismatches(_identities({(2, 3): 7, (2, 4): 8, (3, 1): 9})) == {"abduction": 0, "hip": 2, "knee": 1}
    swapped = _identities({(2, 4): 4103, (3, 4): 4102})
    assert _mismatches(swapped) == {"abduction": 0, "hip": 1, "knee": 1}


def test_a_setting_that_is_not_kept_is_a_mismatch_and_changes_the_hash() -> None:
    kept = [*_identities({}), *_write(2, 0x6085, 0, 500), *_read(2, 0x6085, 0, 500)]
    lost = [*_identities({}), *_write(2, 0x6085, 0, 500), *_read(2, 0x6085, 0, 400)]
    hashes = []
    for frames, wrong in ((kept, 0), (lost, 1)):
        found = {
            m.subject: m for m in identity.evaluate(moved([("look", {})], {"bit_rate": 1e6}, frames={"look": frames}))
        }
        assert found["hip"].value == wrong
        hashes.append(found["hip"].covariates["settings_hash"])
    assert hashes[0] != hashes[1]


def test_identity_of_a_sound_leg_needs_no_power_and_no_permit() -> None:
    it = simulated("tarn-fl", 5)
    it.bench.energy.allowed = 0
    first = {m.subject: m for m in it.run(identity.DECLARATION).values()}
    assert {m.value for m in first.values()} == {0.0}
    assert {it.verdict(m) for m in first.values()} == {Word.PASS}
    assert not it.bench.prechecks
    again = {m.subject: m for m in it.run(identity.DECLARATION).values()}
    assert all(again[name].covariates == first[name].covariates for name in NAMES)
    assert all(axis.powered is False for axis in it.rig.axes)


def test_another_firmware_is_found_though_the_precheck_refuses_it() -> None:
    it = simulated("tarn-fl", 5, "wrong-firmware")
    found = {m.subject: m for m in it.run(identity.DECLARATION).values()}
    assert found["hip"].value == 1.0
    assert it.verdict(found["hip"]) is Word.FAIL
    assert it.verdict(found["abduction"]) is Word.PASS


# ------------------------------------------------------------------ telemetry at rest
def _still(rng: np.random.Generator, n: int, counts: float, torque: float) -> dict[str, np.ndarray]:
    sway = 40 * COUNT * np.sin(np.linspace(0, 3, n))
    columns = {}
    for name in NAMES:
        columns[f"{name}.position"] = np.rint((sway / COUNT) + rng.normal(0, counts, n)) * COUNT
        columns[f"{name}.torque"] = np.rint((0.02 + rng.normal(0, torque, n)) / 0.006) * 0.006
    return columns


def test_noise_of_made_up_samples_is_theirs_though_the_leg_sways() -> None:
    rng = np.random.default_rng(4)
    found = at_rest.evaluate(moved([("watch", _still(rng, 3000, 2.0, 0.012))]))
    for m in found:
        true = {
            "position_noise": COUNT * sqrt(4 + 1 / 12),  # rounding adds a twelfth of a step squared
            "torque_noise": sqrt(0.012**2 + 0.006**2 / 12),
            "torque_zero": 0.02,
        }[m.quantity]
        assert_holds(m, true)
        assert m.u < 0.05 * true


def test_a_leg_that_moves_is_not_at_rest() -> None:
    columns = _still(np.random.default_rng(1), 500, 0.7, 0.012)
    columns["hip.position"] = columns["hip.position"] + np.linspace(0, 0.1, 500)
    found = at_rest.evaluate(moved([("watch", columns)]))
    assert {m.subject for m in found if m.invalid} == {"hip"}


@pytest.mark.parametrize("leg", ["tarn-fl", "tarn-hopper"])
def test_noise_of_a_simulated_leg_is_that_of_its_sensors(leg: str) -> None:
    it = simulated(leg, 8)
    it.bench.energy.allowed = 0
    for m in it.run(at_rest.DECLARATION).values():
        assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS


def test_a_noisy_encoder_is_noticed_at_rest() -> None:
    it = simulated("tarn-fl", 8, "noisy-encoder")
    found = {(m.quantity, m.subject): m for m in it.run(at_rest.DECLARATION, seconds=3.0).values()}
    assert it.verdict(found["position_noise", "knee"]) is Word.FAIL
    assert it.verdict(found["position_noise", "hip"]) is Word.PASS


# ------------------------------------------------------------------ power up
def test_the_largest_change_counts_with_its_sign() -> None:
    spans = []
    for pose, change in enumerate((0.0, -pi / 4, 0.0)):
        before = {f"{name}.position": np.full(100, 0.1 * pose) for name in NAMES}
        after = dict(before) | {"hip.position": np.full(100, 0.1 * pose + change)}
        spans += [("before", before), ("after", after)]
    found = {m.subject: m for m in power_up.evaluate(moved(spans))}
    assert found["hip"].value == pytest.approx(-pi / 4)
    assert found["knee"].value == pytest.approx(0.0, abs=1e-12)
    assert found["hip"].covariates["power_cycles"] == 3


def test_an_encoder_that_knows_its_place_reads_as_before() -> None:
    it = simulated("tarn-fl", 2)
    it.bench.energy.allowed = 0
    for m in it.run(power_up.DECLARATION, poses=3).values():
        assert_holds(m, 0.0)
        assert it.verdict(m) is Word.PASS


def test_an_encoder_that_forgets_turns_is_wrong_by_turns_of_its_motor() -> None:
    it = simulated("tarn-fl", 2, "one-turn-encoder")
    found = {m.subject: m for m in it.run(power_up.DECLARATION, poses=4).values()}
    turns = found["hip"].value / (2 * pi / 8)
    assert abs(turns) > 0.5
    assert turns == pytest.approx(round(turns), abs=1e-3)
    assert it.verdict(found["hip"]) is Word.FAIL
    assert it.verdict(found["knee"]) is Word.PASS


def test_a_leg_that_was_homed_knows_that_its_home_is_gone() -> None:
    it = simulated("tarn-hopper", 2)
    it.bench.homed = True
    it.bench.power_cycle()
    assert not it.bench.homed


def test_nobody_switches_a_supply_or_presses_a_stop_in_a_live_run() -> None:
    hands = NobodysHands()
    for ask in (hands.power_cycle, lambda: hands.pose([0.0]), lambda: hands.emergency_stop(pressed=True)):
        with pytest.raises(NotRun, match="a person, and a test run asks nobody"):
            ask()


# ------------------------------------------------------------------ twitch
def _twitched(stray: float = 0.0, friction: float = 0.2, stuck: int = 0) -> list[tuple[str, dict[str, np.ndarray]]]:
    """The hip turns by 0.06 rad to both sides against friction and a weight; a share of it shows at the knee."""
    rng, spans = np.random.default_rng(3), []
    way = np.linspace(-0.06, 0.06, 100)
    for joint in NAMES:
        for _ in range(3):
            for label, angle, sign in (("up", way, 1.0), ("down", way[::-1], -1.0)):
                columns = {}
                for name in NAMES:
                    own = angle if name == joint else angle * stray if (joint, name) == ("hip", "knee") else 0 * angle
                    counts = np.rint(own / COUNT + rng.normal(0, 0.7, 100)).astype(int) >> stuck << stuck
                    torque = sign * friction + angle if name == joint else 0 * angle
                    columns |= {f"{name}.position": counts * COUNT, f"{name}.torque": torque + rng.normal(0, 0.01, 100)}
                spans.append((f"{joint} {label}", columns))
    return spans


def test_a_twitch_tells_strays_friction_and_stuck_bits() -> None:
    found = {(m.quantity, m.subject): m for m in twitch.evaluate(moved(_twitched(stray=0.3), {"speed_rad_s": 0.3}))}
    assert_holds(found["stray_motion", "hip"], 0.3)
    assert_holds(found["stray_motion", "knee"], 0.0)
    for name in NAMES:
        assert_holds(found["motion_torque", name], 0.2)
        assert found["stuck_bits", name].value == 0


@pytest.mark.parametrize("stuck", [1, 4])
def test_stuck_bits_are_counted(stuck: int) -> None:
    found = twitch.evaluate(moved(_twitched(stuck=stuck), {"speed_rad_s": 0.3}))
    assert {m.value for m in found if m.quantity == "stuck_bits"} == {stuck}


@pytest.mark.parametrize("leg", ["tarn-fl", "tarn-hopper"])
def test_a_sound_leg_twitches_as_it_should(leg: str) -> None:
    it = simulated(leg, 6)
    for m in it.run(twitch.DECLARATION, twitches=3).values():
        if m.quantity == "motion_torque":
            assert m.value == pytest.approx(it.truth(m), rel=0.25)
        else:
            assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS


@pytest.mark.parametrize(
    ("fault", "quantity", "joint"),
    [
        ("crossed-sensor", "stray_motion", "hip"),  # the hip turns, and the knee's sensor says so too
        ("reversed-torque", "motion_torque", "hip"),
        ("stuck-bits", "stuck_bits", "knee"),
    ],
)
def test_what_a_twitch_notices(fault: str, quantity: str, joint: str) -> None:
    it = simulated("tarn-fl", 6, fault)
    found = {(m.quantity, m.subject): m for m in it.run(twitch.DECLARATION, twitches=3).values()}
    assert it.verdict(found[quantity, joint]) is Word.FAIL
    assert it.verdict(found[quantity, "abduction"]) is Word.PASS


def test_too_few_are_refused() -> None:
    it = simulated("tarn-hopper", 1)
    with pytest.raises(UsageError, match="at least 3 are needed"):
        twitch.run(it.bench, twitches=2)
    with pytest.raises(UsageError, match="at least 2 are needed"):
        power_up.run(it.bench, poses=1)


def test_an_observation_holds_no_permit() -> None:
    """Power is refused after a look as before one: only a pre-check brings it."""
    it = simulated("tarn-hopper", 1)
    it.bench.energy.allowed = 0
    it.bench.look()
    with pytest.raises(LegtestError), it.bench.energised():
        pass
    assert not any(axis.powered for axis in it.rig.axes)


def test_every_quantity_is_in_the_catalogue() -> None:
    for procedure in (identity, at_rest, power_up, twitch):
        assert set(procedure.DECLARATION.quantities) <= set(QUANTITIES)
