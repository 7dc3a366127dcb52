"""A simulated leg moved straight, without bus, drive firmware, noise or rounding, and looked at every half millisecond.

What the parts do in a motion, where the parts alone do not say it: the truth of responses and paths.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.description.model import LegDescription
from legtest.kinematics import actuators_of_joints, joints_of_actuators

if TYPE_CHECKING:
    from legtest.simulation.actuator import SimulatedAxis
    from legtest.simulation.physics import Physics
    from legtest.simulation.plant import Plant

FloatArray = NDArray[np.float64]
SETTLE_S = 0.5


class Straight(NamedTuple):
    """What was seen at each instant (n,), s from the first row: joint angles as perfect encoders at the motors would
    have them and as they are (n, joints), rad; torques at the motors as their drives believe them (n, axes), N*m;
    the stand's deflection in x (n,) and the carriage's place (n,), m.
    """

    t_s: FloatArray
    joints_rad: FloatArray
    true_rad: FloatArray
    torques_Nm: FloatArray
    stand_m: FloatArray
    carriage_m: FloatArray


def played(
    plant: Plant,
    leg: LegDescription,
    rows_rad: FloatArray,
    period_s: float,
    prepare: Callable[[Physics], None] = lambda _: None,
    during: Callable[[Physics, int], None] = lambda _physics, _row: None,
) -> Straight:
    """Play joint angles (rows, joints) on a fresh leg that starts at rest at the first of them.

    prepare: puts leg and stand where the motion begins, after the leg was posed. during: called before each row.
    """
    from legtest.simulation.actuator import SimulatedAxis, Supply
    from legtest.simulation.mjcf import STEP_NS
    from legtest.simulation.physics import Physics

    physics = Physics(plant)
    physics.pose([float(q) for q in rows_rad[0]])
    prepare(physics)
    supply = Supply(physics)
    axes = [SimulatedAxis(physics, number, supply) for number in range(len(plant.axes))]
    targets = actuators_of_joints(leg, rows_rad)
    period_ns = round(period_s * 1e9)
    for axis, joint in zip(axes, leg.joints, strict=True):
        axis.enable(physics.step * STEP_NS, True)
        axis.limit(physics.step * STEP_NS, joint.torque_Nm, joint.torque_Nm)
    settle = round(SETTLE_S / period_s)
    seen: list[tuple[int, ...]] = []
    rows: list[list[float]] = []
    start_ns = (physics.step + 1) * STEP_NS
    for k in range(-settle, len(targets) - 1):
        t_ns = start_ns + (k + settle) * period_ns
        physics.advance(t_ns)
        during(physics, k)
        for axis, angle in zip(axes, targets[max(k + 1, 0)], strict=True):
            axis.follow(t_ns, float(angle) + axis._plant.zero_rad, period_ns, 0.0)
        for step in range(t_ns // STEP_NS, (t_ns + period_ns) // STEP_NS):
            physics.advance(step * STEP_NS)
            seen.append((step * STEP_NS - start_ns - settle * period_ns,))
            rows.append(_look(physics, axes))
    return _sorted_out(leg, plant, physics, np.array(seen)[:, 0] * 1e-9, np.array(rows))


def _look(physics: Physics, axes: list[SimulatedAxis]) -> list[float]:
    state = physics.state()
    return [*state.position, *state.torque]


def _sorted_out(leg: LegDescription, plant: Plant, physics: Physics, t_s: FloatArray, rows: FloatArray) -> Straight:
    scale = np.array([axis.torque_scale for axis in plant.axes])
    index = physics.joint_index
    stand = int(physics.model.joint("stand_x").qposadr[0])
    return Straight(
        t_s,
        joints_of_actuators(leg, rows[:, physics.rotor_index]),
        rows[:, [index[name] for name in plant.joints]],
        rows[:, -len(plant.axes) :] / scale,
        rows[:, stand],
        rows[:, index["rail"]],
    )
