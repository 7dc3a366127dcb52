"""Every procedure on a healthy simulated leg: its figures hold the truth of the parts, and the leg passes its criteria.

The truth is the simulated plant's, which the bench wing cannot see.
"""

from __future__ import annotations

import numpy as np
import pytest
from simulated import assert_holds, simulated

from legtest.description.setup import SetUp
from legtest.metrology.verdict import Word
from legtest.procedures import backlash, carriage, friction, holding, homing, range_of_motion, tracking

SEED = 7


@pytest.mark.parametrize(("leg", "joint"), [("tarn-fl", "knee"), ("tarn-hopper", "hip")])
def test_homing_repeatability_is_that_of_the_stop(leg: str, joint: str) -> None:
    it = simulated(leg, SEED)
    m = it.run(homing.DECLARATION, joint, cycles=8)["homing_repeatability"]
    assert_holds(m, it.truth(m))
    assert it.verdict(m) is Word.PASS


def test_homing_sets_the_zero_where_the_drawing_has_it() -> None:
    """Every joint then reads its true angle within stop tolerance (0.1 deg), seat (3 x 0.1 deg), play and friction."""
    it = simulated("tarn-fl", SEED)
    homing.ensure(it.bench)
    read, true = it.bench.sample().joints_rad, it.rig.truth().joint_rad
    for name, angle in zip(it.leg.joint_names, read, strict=True):
        play = sum(axis.backlash_rad for axis in it.rig.plant.axes)
        assert abs(angle - true[name]) < np.radians(0.4) + play + 1e-3, name
    homing.ensure(it.bench)  # knows its zero: nothing moves, nothing is recorded
    assert it.bench.sample().joints_rad == read


@pytest.mark.parametrize(("leg", "joint"), [("tarn-fl", "knee"), ("tarn-hopper", "knee")])
def test_travel_is_that_between_the_stops_and_the_play(leg: str, joint: str) -> None:
    it = simulated(leg, SEED)
    m = it.run(range_of_motion.DECLARATION, joint)["travel_error"]
    seats = it.rig.plant.stops[it.leg.joint_names.index(joint)].scatter_rad
    assert m.u > 0.5 * seats / np.sqrt(3)  # the seats of three contacts are in it
    assert_holds(m, it.truth(m))
    assert it.verdict(m) is Word.PASS


@pytest.mark.parametrize(("leg", "joint"), [("tarn-fl", "hip"), ("tarn-fl", "knee"), ("tarn-hopper", "knee")])
def test_backlash_is_the_dead_band(leg: str, joint: str) -> None:
    it = simulated(leg, SEED)
    m = it.run(backlash.DECLARATION, joint)["backlash"]
    assert_holds(m, it.truth(m))
    assert it.verdict(m) is Word.PASS


def test_backlash_is_right_where_it_is_large() -> None:
    it = simulated("tarn-hopper", SEED, "backlash=1.5 deg")
    assert_holds(m := it.run(backlash.DECLARATION, "knee")["backlash"], it.truth(m))
    assert m.value > np.radians(1.5)


@pytest.mark.parametrize(("leg", "joint"), [("tarn-fl", "hip"), ("tarn-hopper", "knee")])
def test_friction_is_that_of_the_motor(leg: str, joint: str) -> None:
    it = simulated(leg, SEED)
    found = it.run(friction.DECLARATION, joint)
    for m in found.values():
        assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS
    assert 15.0 < found["coulomb_friction"].covariates["winding_temperature_C"] < 90.0


@pytest.mark.slow
@pytest.mark.parametrize(("leg", "joint"), [("tarn-fl", "knee"), ("tarn-hopper", "hip")])
def test_holding_finds_the_torque_scale(leg: str, joint: str) -> None:
    it = simulated(leg, SEED)
    found = it.run(holding.DECLARATION, joint)
    for name in ("holding_torque_ratio", "stiffness_ratio", "yield_ratio", "holding_drift"):
        assert_holds(found[name], it.truth(found[name]))
    assert {it.verdict(m) for m in found.values()} == {Word.PASS}
    assert it.bench.setup is SetUp.CLAMPED


@pytest.mark.slow
def test_a_foot_path_is_followed_as_the_truth_says() -> None:
    """Peak following error and delay against the true rotor angles, looked at every 20 ms by somebody else."""
    it = simulated("tarn-hopper", SEED)
    seen: list[tuple[int, list[float]]] = []
    physics, rotors = it.rig.physics, it.rig.physics.rotor_index
    physics.on_tick.append(lambda: seen.append((physics.step, [physics.state().position[i] for i in rotors])))
    homing.ensure(it.bench)
    recorded = tracking.move(it.bench, cycles=4)
    found = {(m.quantity, m.subject): m for m in tracking.evaluate(recorded)}
    trace = recorded.trace("path")
    t_ns = np.array([step * 500_000 for step, _ in seen])
    inside = (t_ns > trace.t_ns[0]) & (t_ns < trace.t_ns[-1])
    for index, name in enumerate(it.leg.joint_names):
        true = np.array([angles[index] for _, angles in seen])[inside]
        asked = np.interp(t_ns[inside], trace.t_ns, recorded.joints(trace, "setpoint")[:, index])
        age_ns = 1e9 * it.rig.plant.axes[index].reading_age_s  # a drive tells where it was so long ago
        read = np.interp(t_ns[inside] + age_ns, trace.t_ns, recorded.joints(trace)[:, index])
        zero = float(np.mean(read - true))  # the stop's tolerance: the drive knows its zero no better
        assert np.abs(read - true - zero).max() < 4e-4  # readings and truth belong to the same instants
        peak = found["following_error", name]
        assert peak.value == pytest.approx(np.abs(asked - true - zero).max(), rel=0.02, abs=3 * peak.u)
        assert it.verdict(peak) is Word.PASS
    assert {it.verdict(m) for m in found.values()} == {Word.PASS, Word.NO_LIMIT}


@pytest.mark.slow
def test_home_does_not_shift_and_no_telemetry_is_lost() -> None:
    it = simulated("tarn-hopper", SEED)
    found = it.run(tracking.DECLARATION, cycles=4)
    for name in ("home_shift hip", "home_shift knee", "telemetry_loss"):
        assert_holds(found[name], it.truth(found[name]))


def test_carriage_drag_is_that_of_the_rail() -> None:
    """The joints' own friction, which is larger than the rail's, drops out."""
    it = simulated("tarn-hopper", SEED)
    m = it.run(carriage.DECLARATION)["carriage_drag"]
    assert_holds(m, it.truth(m))
    assert abs(m.value - it.truth(m)) < 0.2
    assert m.covariates["joint_friction_N"] > it.truth(m)
    # Carriage (1.4 kg by the stand's file and its parts) and leg press on the foot.
    plant = it.rig.plant
    weight = 9.80665 * (plant.stand.carriage_mass_kg + sum(link.mass_kg for link in plant.links))
    assert m.covariates["weight_on_foot_N"] == pytest.approx(weight, rel=0.25)
    assert it.verdict(m) is Word.PASS
