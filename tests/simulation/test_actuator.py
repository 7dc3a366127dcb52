"""The simulated power stage: position loop, torque mode, sensors, heat and supply."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_leg import make_bench, make_leg
from make_mechanics import IDEAL_TORQUE, MS, Mechanics, S, ideal, with_axes

from legtest.errors import UsageError
from legtest.simulation.axis import Axis
from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.noise import mix, normals
from legtest.simulation.plant import Plant, plant_of

COUNT = 2 * math.pi / 65536
G = 9.80665


def planar(seed: int = 1) -> Plant:
    return plant_of(make_leg(planar=True), make_bench(), seed)


def held(plant: Plant) -> Mechanics:
    """Joints held by hand, drives on."""
    rig = Mechanics(plant)
    rig.physics.pose([0.3, -0.6])
    for joint in plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.power()
    return rig


def test_it_is_an_axis() -> None:
    axis: Axis = Mechanics(planar()).axes[0]
    assert axis.read(0).supply_V == pytest.approx(48.0, abs=0.01)  # less what the power stages draw at rest


@pytest.mark.parametrize("scale", [1.0, 0.85])
def test_static_droop_is_torque_over_stiffness(scale: float) -> None:
    # Hooke's law at the rotor: the loop's stiffness is the drive's gain times the true torque constant. Knee straight,
    # thigh horizontal is out of reach, so 0.5 rad: gravity torque of two links, closed formula.
    plant = ideal(planar(), torque_constant=scale)
    rig = Mechanics(plant)
    rig.physics.pose([0.5, -0.5])
    rig.power()
    rig.axes[0].follow(0, 0.5, 0, 0.0)
    rig.axes[1].follow(0, -0.5, 0, 0.0)
    rig.wait(4 * S)
    thigh, shank = plant.links
    hip, knee = rig.joint("hip"), rig.joint("knee")
    shank_torque = -G * shank.mass_kg * shank.centre_m[2] * math.sin(hip + knee)
    hip_torque = shank_torque + G * math.sin(hip) * (-thigh.mass_kg * thigh.centre_m[2] + shank.mass_kg * plant.thigh_m)
    assert 0.5 - rig.rotor(0) == pytest.approx(hip_torque / (150.0 * scale), rel=1e-5)
    assert -0.5 - rig.rotor(1) == pytest.approx(shank_torque / (150.0 * scale), rel=1e-5, abs=1e-8)
    # The drive's own reading is what it believes: its gain times the error.
    assert rig.torques()[0] == pytest.approx(hip_torque, rel=1e-5)
    believed = statistics.mean(rig.axes[0].read(rig.now_ns + k).torque_Nm for k in range(2000))
    assert believed == pytest.approx(hip_torque / scale, abs=2e-3)


def test_demand_is_the_line_between_set_points_and_ends_soon_after_it() -> None:
    rig = Mechanics(planar())
    rig.power()
    axis = rig.axes[0]
    start = axis.demand_rad(0)
    axis.follow(0, start + 0.1, 4 * MS, 0.0)
    for k in range(1, 20):
        rig.wait(STEP_NS)
        share = min(1.5, k / 8)  # half a period longer, for a SYNC that comes late
        assert axis.demand_rad(rig.now_ns) == pytest.approx(start + 0.1 * share, abs=1e-12)
        inside = float(rig.physics.data.act[0]) + rig.plant.axes[0].zero_rad
        assert inside == pytest.approx(start + 0.1 * share, abs=1e-9)
        # One missed set-point must not leave the velocity demand on.
        assert rig.physics.ctrl[1] == pytest.approx(25.0 if k < 12 else 0.0)


def test_consecutive_set_points_join_without_a_gap_in_velocity() -> None:
    rig = Mechanics(planar())
    rig.power()
    axis = rig.axes[0]
    start = axis.demand_rad(0)
    for k in range(5):
        axis.follow(rig.now_ns, start + 0.01 * (k + 1), 4 * MS, 0.0)
        assert rig.physics.ctrl[1] == pytest.approx(2.5)
        rig.wait(4 * MS)


def test_torque_limit_and_off() -> None:
    rig = held(with_axes(planar(), torque=IDEAL_TORQUE))
    axis = rig.axes[0]
    axis.limit(rig.now_ns, 2.0, 3.0)
    start = axis.demand_rad(rig.now_ns)
    for target, expected in ((start + 1.0, 3.0), (start - 1.0, -2.0)):
        axis.follow(rig.now_ns, target, 0, 0.0)
        rig.wait(100 * MS)
        assert rig.torques()[0] == pytest.approx(expected * rig.plant.axes[0].torque_scale)
    axis.enable(rig.now_ns, False)
    rig.wait(1 * MS)
    assert rig.torques()[0] == 0.0
    rig.wait(500 * MS)  # the wound-up transmission has sprung back
    axis.enable(rig.now_ns, True)
    assert axis.demand_rad(rig.now_ns) == pytest.approx(axis.read(rig.now_ns).position_rad, abs=5 * COUNT)
    rig.wait(1 * MS)
    assert abs(rig.torques()[0]) < 0.1


def test_torque_mode_gives_the_torque_it_believes_in() -> None:
    plant = with_axes(planar(), torque_constant=0.85, sense_gain=1.01, torque=IDEAL_TORQUE)
    rig = held(plant)
    axis = rig.axes[1]
    axis.push(rig.now_ns, 4.0)
    rig.wait(500 * MS)
    assert rig.torques()[1] == pytest.approx(4.0 * 0.85 / 1.01)
    assert axis.read(rig.now_ns).torque_Nm == pytest.approx(4.0, abs=5 * 0.002 * 6.0)
    axis.follow(rig.now_ns, axis.demand_rad(rig.now_ns), 0, 0.0)
    rig.wait(500 * MS)
    assert abs(rig.torques()[1]) < 0.5


def test_torque_feed_forward_is_added_to_the_position_loop() -> None:
    rig = held(with_axes(planar(), torque_constant=0.9, sense_gain=1.0))
    axis = rig.axes[0]
    here = axis.demand_rad(rig.now_ns)
    torques = []
    for forward in (0.0, 3.0):
        axis.follow(rig.now_ns, here, 0, forward)
        rig.wait(1)
        rig.physics.pose([0.3, -0.6])
        rig.wait(STEP_NS)
        torques.append(rig.torques()[0])
    assert torques[1] - torques[0] == pytest.approx(0.9 * 3.0, abs=0.02)


def test_reading_is_in_counts_with_the_noise_of_the_encoder() -> None:
    # Variance of a sum: encoder noise 0.7 counts and rounding 1/12 count^2; 4000 instants, 5 standard errors.
    rig = held(planar())
    rig.wait(3 * S)
    at = rig.now_ns
    counts = [rig.axes[0].read(at + k).position_rad / COUNT for k in range(4000)]
    assert counts == pytest.approx([round(c) for c in counts], abs=1e-6)
    expected = math.sqrt(0.7**2 + 1 / 12)
    assert statistics.pstdev(counts) == pytest.approx(expected, rel=5 / math.sqrt(2 * 4000))
    true = (rig.rotor(0) + rig.plant.axes[0].zero_rad) / COUNT
    assert statistics.mean(counts) == pytest.approx(true, abs=5 * expected / math.sqrt(4000))


def test_reading_moves_on_between_two_steps() -> None:
    rig = Mechanics(ideal(planar()))
    rig.power()
    rig.axes[1].push(0, -3.0)
    rig.wait(40 * MS)
    speed = rig.physics.state().velocity[rig.physics.rotor_index[1]]
    early, late = (rig.axes[1].read(rig.now_ns + dt).position_rad for dt in (0, STEP_NS - 1))
    assert abs(speed) > 1.0
    assert late - early == pytest.approx(speed * STEP_NS * 1e-9, abs=1.01 * COUNT)


def test_same_instant_same_reading_and_more_readings_change_none() -> None:
    one, other = Mechanics(planar()), Mechanics(planar())
    for k in range(50):
        other.axes[0].read(k * 4 * MS + 1)
        assert one.axes[0].read(k * 4 * MS + 2) == other.axes[0].read(k * 4 * MS + 2)
        assert other.axes[0].read(k * 4 * MS + 2) is other.axes[0].read(k * 4 * MS + 2)


def test_the_mixing_is_splitmix64() -> None:
    # First outputs for the seed 1234567 as published with the algorithm's common test vectors; from memory.
    assert mix(1234567, 1) == 6457827717110365317
    assert mix(1234567, 2) == 3203168211198807973


@given(key=st.integers(0, 2**64 - 1), t_ns=st.integers(0, 2**45))
def test_noise_is_looked_up_by_the_mixed_bits(key: int, t_ns: int) -> None:
    z = mix(key, t_ns)
    fields = [z >> shift & 0xFFF for shift in (0, 16, 32)]
    expected = [statistics.NormalDist().inv_cdf((field + 0.5) / 4096) for field in fields]
    assert list(normals(key, t_ns)) == expected


def test_noise_is_normal_and_independent() -> None:
    rows = [normals(12345, 4_000_000 * k) for k in range(20_000)]
    for column in zip(*rows, strict=True):
        assert statistics.mean(column) == pytest.approx(0.0, abs=5 / math.sqrt(20_000))
        assert statistics.pstdev(column) == pytest.approx(1.0, abs=5 / math.sqrt(40_000))
        assert statistics.correlation(column[:-1], column[1:]) == pytest.approx(0.0, abs=5 / math.sqrt(20_000))
    a, b, c = zip(*rows, strict=True)
    for x, y in ((a, b), (a, c), (b, c)):
        assert statistics.correlation(x, y) == pytest.approx(0.0, abs=5 / math.sqrt(20_000))


def test_power_up_zero_is_arbitrary_but_repeatable() -> None:
    zeros = {plant_of(make_leg(), make_bench(), seed).axes[0].zero_rad for seed in range(8)}
    assert len(zeros) == 8
    assert max(zeros) - min(zeros) > 1.0


def test_winding_and_housing_heat_as_two_bodies() -> None:
    # Two first-order lags, C dT/dt = P - G (T - T0) each; at steady torque the winding's final rise over its housing is
    # K torque^2, the housing's over the room share x that. Closed form by the eigenvalues of the 2 x 2 system.
    rig = held(with_axes(planar(), torque_constant=1.0, sense_gain=1.0))
    rig.axes[0].push(0, 6.0)
    rig.wait(20 * S)
    part = rig.plant.axes[0]
    final = part.heating_K_per_Nm2 * rig.torques()[0] ** 2
    share = part.drive.case_K_per_Nm2 / part.heating_K_per_Nm2
    a, b = 1 / part.heating_s, 1 / part.drive.case_s
    system = np.array([[-a, a], [share * b, -(1 + share) * b]])
    steady = np.array([final * (1 + share), final * share])
    values, vectors = np.linalg.eig(system)
    expected = steady - vectors @ np.diag(np.exp(20.0 * values)) @ np.linalg.inv(vectors) @ steady
    assert rig.axes[0].temperature_C - rig.plant.ambient_C == pytest.approx(expected[0], rel=2e-3)
    assert rig.axes[0].case_C - rig.plant.ambient_C == pytest.approx(expected[1], rel=5e-3)
    assert rig.axes[1].read(rig.now_ns).temperature_C == pytest.approx(rig.plant.ambient_C, abs=0.5)


def test_friction_falls_with_temperature_and_varies_over_the_angle() -> None:
    rig = held(with_axes(planar(), torque_constant=1.0, sense_gain=1.0, torque=IDEAL_TORQUE))
    part, dof = rig.plant.axes[0], rig.physics.rotor_index[0]
    rig.axes[0].push(0, 6.0)
    rig.wait(40 * MS)
    cold = float(rig.physics.model.dof_frictionloss[dof])
    assert cold == pytest.approx(part.friction_Nm, rel=part.friction_ripple + 1e-3)
    rig.wait(20 * S)
    rise = rig.axes[0].temperature_C - rig.plant.ambient_C
    assert rise > 5.0
    warm = float(rig.physics.model.dof_frictionloss[dof])
    assert warm == pytest.approx(cold * (1 - part.friction_cooling_per_K * rise), rel=1e-3)


def test_supply_sags_under_load() -> None:
    # Ohm's law: 40 W of copper loss at rated torque on each of two stalled axes and 1 W at rest, from 48 V.
    rig = held(with_axes(planar(), torque_constant=1.0, sense_gain=1.0))
    for axis in rig.axes:
        axis.push(0, 6.0)
    rig.wait(1 * S)
    drop = rig.plant.supply.source_ohm * 81.0 / 48.0
    assert rig.axes[0].read(rig.now_ns).supply_V == pytest.approx(48.0 - drop, rel=1e-4)


def test_parts_too_stiff_for_the_step_are_refused() -> None:
    with pytest.raises(UsageError, match=r"axis hip: transmission stiffness 1e\+06 N\*m/rad is too much .* at most"):
        Mechanics(plant_of(make_leg(True, {"transmission_stiffness_Nm_per_rad": 1e6}), make_bench(), 1))
    plant = planar()
    hard = replace(plant, axes=(replace(plant.axes[0], damping_Nms_per_rad=80.0), plant.axes[1]))
    with pytest.raises(UsageError, match="axis hip: drive damping"):
        Mechanics(hard)


def test_a_stiff_transmission_inside_the_limit_stays_stable() -> None:
    rig = Mechanics(plant_of(make_leg(simulation={"transmission_stiffness_Nm_per_rad": 3000.0}), make_bench(), 1))
    rig.power()
    rig.wait(3 * S)
    assert max(abs(rig.speed(joint)) for joint in rig.plant.joints) < 1e-3
