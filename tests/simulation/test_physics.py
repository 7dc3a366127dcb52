"""The mechanics against closed formulas: pendulum, belt, dead band, stops, friction, clamps; and repeatability."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import mujoco
import numpy as np
import pytest
from make_leg import BELT, make_bench, make_leg
from make_mechanics import MS, Mechanics, S, ideal, with_axes

from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.plant import Plant, StopPlant, plant_of

G = 9.80665  # standard gravity, ISO 80000-3


def planar(seed: int = 1) -> Plant:
    return plant_of(make_leg(planar=True), make_bench(), seed)


def belt(seed: int = 1) -> Plant:
    return plant_of(make_leg(), make_bench(), seed)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("plant_of_seed", [planar, belt])
def test_a_new_leg_hangs_at_rest_inside_its_travel(plant_of_seed: Callable[[int], Plant], seed: int) -> None:
    rig = Mechanics(plant_of_seed(seed))
    starts = [rig.joint(joint) for joint in rig.plant.joints]
    rig.wait(2 * S)
    for joint, stop, start in zip(rig.plant.joints, rig.plant.stops, starts, strict=True):
        assert stop.low_rad < start < stop.high_rad
        assert rig.joint(joint) == pytest.approx(start, abs=2e-3)


def test_pendulum_period_with_the_rotors_inertia() -> None:
    # Physical pendulum, T = 2 pi sqrt(I / (m g d)) (1 + a^2/16), in every mechanics text; from memory.
    plant = ideal(planar(), transmission_Nm_per_rad=3000.0)
    plant = replace(plant, stops=(StopPlant(-1.0, 1.0, 0.0, 0.0),) * 2)
    rig = Mechanics(plant)
    amplitude = 0.1
    rig.physics.clamp("knee", on=True, at=0.0)
    rig.physics.pose([amplitude, 0.0])
    thigh, shank = plant.links
    arm = plant.thigh_m - shank.centre_m[2]
    inertia = thigh.inertia_kgm2[1] + thigh.mass_kg * thigh.centre_m[2] ** 2
    inertia += shank.inertia_kgm2[1] + shank.mass_kg * arm**2 + plant.axes[0].rotor_inertia_kgm2
    torque = G * (-thigh.mass_kg * thigh.centre_m[2] + shank.mass_kg * arm)
    expected = 2 * math.pi * math.sqrt(inertia / torque) * (1 + amplitude**2 / 16)
    crossings = []
    previous = rig.joint("hip")
    for _ in range(4000):
        rig.wait(STEP_NS)
        angle = rig.joint("hip")
        if previous < 0.0 <= angle:
            crossings.append(rig.now_ns * 1e-9 - angle / (angle - previous) * STEP_NS * 1e-9)
        previous = angle
    periods = np.diff(crossings)
    assert len(periods) >= 1
    assert periods == pytest.approx(expected, rel=1e-4)


def test_held_torques_are_gravity_and_foot_force_through_belt_and_jacobian() -> None:
    # Principle of virtual work: motor torque = A^T (gravity - J^T F), A the leg file's coupling
    # (tests/references/kinematics/kinematics.yaml, "coupling").
    rig = Mechanics(ideal(belt()))
    rig.physics.pose([0.1, 0.4, -0.9])
    rig.power()
    force = (3.0, -2.0, 15.0)
    rig.physics.push_foot(force)
    rig.wait(4 * S)
    model, data = rig.physics.model, rig.physics.data
    mujoco.mj_forward(model, data)
    dofs = [rig.physics.joint_index[name] for name in rig.plant.joints]
    jacobian = np.zeros((3, model.nv))
    mujoco.mj_jacBody(model, data, jacobian, None, model.body("foot").id)
    at_joints = data.qfrc_bias[dofs] - jacobian[:, dofs].T @ np.array(force)
    assert rig.torques() == pytest.approx(np.array(BELT).T @ at_joints, abs=1e-6)


def test_power_into_the_belt_is_power_out_of_it() -> None:
    # Power balance: with A^-1 from joints to motors, tau_m . (A^-1 v) = (A^-T ... tau_q) . v for every velocity.
    rig = Mechanics(ideal(belt(), transmission_Nms_per_rad=0.0))
    model, data = rig.physics.model, rig.physics.data
    joints = [rig.physics.joint_index[name] for name in rig.plant.joints]
    generator = np.random.default_rng(5)
    for _ in range(50):
        data.qpos[joints + rig.physics.rotor_index] = generator.uniform(-0.3, 0.0, 6)
        velocity = generator.uniform(-3, 3, 3)
        data.qvel[:] = 0.0
        mujoco.mj_forward(model, data)
        spring = data.qfrc_spring
        out = float(spring[joints] @ velocity)
        into = float(-spring[rig.physics.rotor_index] @ (np.array(rig.plant.actuator_of_joint) @ velocity))
        assert out == pytest.approx(into, rel=1e-12, abs=1e-12)
        assert abs(out) > 1e-6


@pytest.mark.parametrize("backlash", [0.0, 0.003, 0.060])
def test_dead_band_of_the_transmission(backlash: float) -> None:
    # With its joint held, a motor pressed one way and the other turns through the play plus twice torque / stiffness.
    rig = Mechanics(ideal(planar(), backlash_rad=backlash))
    rig.physics.pose([0.2, -0.5])
    for joint in rig.plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.power()
    ends = []
    for torque in (2.0, -2.0):
        rig.axes[0].push(rig.now_ns, torque)
        rig.wait(3 * S)
        ends.append(rig.rotor(0) - rig.joint("hip"))
    assert ends[0] - ends[1] == pytest.approx(backlash + 2 * 2.0 / 800.0, abs=2e-5)


def test_stiction_holds_without_creeping() -> None:
    plant = replace(planar(), stops=(StopPlant(-1.0, 1.0, 0.0, 0.0),) * 2)
    rig = Mechanics(with_axes(plant, friction_ripple=0.0))
    rig.physics.pose([0.0, 0.0])  # straight down: nothing but the motor loads the friction
    rig.power()
    for axis, part in zip(rig.axes, plant.axes, strict=True):
        axis.push(rig.now_ns, 0.75 * part.friction_Nm / part.torque_scale)
    rig.wait(500 * MS)
    before = [rig.rotor(number) for number in range(2)]
    rig.wait(1 * S)
    creep = [abs(rig.rotor(number) - x) for number, x in enumerate(before)]
    assert max(creep) < 0.1e-3  # rad in one second; MuJoCo's default friction creeps 14e-3


def test_friction_gives_way_above_its_threshold() -> None:
    rig = Mechanics(with_axes(planar(), friction_ripple=0.0))
    rig.physics.clamp("hip", on=True)
    rig.physics.pose([0.0, -1.0])
    rig.power()
    before = rig.joint("knee")
    rig.axes[1].push(rig.now_ns, -1.5)  # against gravity 0.16 N*m at most and 0.24 N*m of friction
    rig.wait(200 * MS)
    assert rig.joint("knee") < before - 0.1


@pytest.mark.parametrize(("torque", "deepest"), [(1.0, 0.4e-3), (4.0, 1.2e-3), (18.0, 3.0e-3)])
def test_end_stop_hardly_yields(torque: float, deepest: float) -> None:
    rig = Mechanics(ideal(planar()))
    rig.physics.clamp("hip", on=True)
    rig.physics.pose([0.0, rig.plant.stops[1].low_rad + 0.001])
    rig.power()
    rig.axes[1].push(rig.now_ns, -torque)
    rig.wait(2 * S)
    seat = rig.physics.model.joint("knee").range[0]
    assert 0.0 < seat - rig.joint("knee") < deepest


def test_clamps_hold() -> None:
    rig = Mechanics(ideal(belt()))
    for joint in rig.plant.joints:
        rig.physics.clamp(joint, on=True)
    before = [rig.joint(joint) for joint in ("rail", *rig.plant.joints)]
    rig.power()
    for axis in rig.axes:
        axis.push(rig.now_ns, 6.0)
    rig.physics.push_foot((0.0, 0.0, 50.0))
    rig.wait(1 * S)
    moved = [abs(rig.joint(j) - x) for j, x in zip(("rail", *rig.plant.joints), before, strict=True)]
    assert moved[0] < 0.1e-3
    assert max(moved[1:]) < 1e-3
    after = [rig.joint(joint) for joint in rig.plant.joints]
    rig.wait(1 * S)
    assert [rig.joint(joint) for joint in rig.plant.joints] == pytest.approx(after, abs=1e-6)


@pytest.mark.parametrize("direction", ["stand_x", "stand_y"])
def test_first_mode_of_the_stand(direction: str) -> None:
    # f = sqrt(k / m) / 2 pi with all that swings; the hanging leg counts in part, so the mode lies between two masses.
    rig = Mechanics(belt())
    rig.wait(2 * S)
    index = int(rig.physics.model.joint(direction).qposadr[0])
    rig.physics.data.qvel[index] = 0.05
    rig.physics._state = None
    xs = []
    for _ in range(1000):
        rig.wait(STEP_NS)
        xs.append(rig.physics.state().position[index])
    rising = [i for i in range(1, len(xs)) if xs[i - 1] < 0 <= xs[i]]
    frequency = 1 / (np.diff(rising).mean() * STEP_NS * 1e-9)
    stand, leg = rig.plant.stand, sum(link.mass_kg for link in rig.plant.links)
    masses = (stand.moving_mass_kg + stand.carriage_mass_kg + leg, stand.moving_mass_kg)
    low, high = (math.sqrt(stand.stiffness_N_per_m / mass) / (2 * math.pi) for mass in masses)
    assert low * 0.98 < frequency < high * 1.02
    assert 5.0 < frequency < 20.0


def drive_about(rig: Mechanics, chunk_ns: int, peek: bool = False) -> bytes:
    """A second of motion; everything MuJoCo integrates, as bytes."""
    rig.power()
    starts = [axis.demand_rad(0) for axis in rig.axes]
    for k in range(1, 250):
        while rig.now_ns < k * 4 * MS:
            rig.wait(min(chunk_ns, k * 4 * MS - rig.now_ns))
            if peek:
                rig.axes[0].read(rig.now_ns)
                rig.physics.foot_m()
        for axis, start in zip(rig.axes, starts, strict=True):
            axis.read(rig.now_ns)
            axis.follow(rig.now_ns, start + 0.2 * math.sin(0.05 * k), 4 * MS, 0.0)
    readings = repr([axis.read(rig.now_ns) for axis in rig.axes])
    return rig.physics.data.qpos.tobytes() + rig.physics.data.qvel.tobytes() + readings.encode()


def test_same_seed_same_bytes_and_another_seed_others() -> None:
    first, again, other = (drive_about(Mechanics(belt(seed)), 4 * MS) for seed in (5, 5, 6))
    assert first == again
    assert first != other


@pytest.mark.parametrize("chunk_ns", [70_000, 500_000, 1_300_000])
def test_neither_looking_nor_slicing_time_changes_the_motion(chunk_ns: int) -> None:
    assert drive_about(Mechanics(belt(5)), chunk_ns, peek=True) == drive_about(Mechanics(belt(5)), 4 * MS)
