"""The way back to where the unpowered leg rested: straight in actuator space, so joint limits hold all along it."""

from __future__ import annotations

from collections.abc import Sequence

from legtest.canbus.wiremap import Point
from legtest.safety.setup import Setup
from legtest.safety.stretch import Stretch

LIMIT_MARGIN_RAD = 0.03
FOR_EVER_NS = 10**12  # the loop takes the power off at its end


def lowering(setup: Setup, demand: Sequence[Point], rest_rad: Sequence[float], homed: bool) -> Stretch:
    """From the present set-points to the actuator angles where the leg rested before power came on.

    Once the leg knows its zero the goal is kept inside its joint limits: friction can hold a limp joint beyond them.
    """
    goals = _inside(setup, rest_rad) if homed else tuple(rest_rad)
    span = max(abs(point.position_rad - goal) for point, goal in zip(demand, goals, strict=True))
    duration = max(setup.period_ns, int(span / setup.lower_rad_s * 1e9))
    last = tuple(p._replace(position_rad=goal, torque_ff_Nm=0.0) for p, goal in zip(demand, goals, strict=True))
    return Stretch(tuple(axis.axis for axis in setup.axes), (0, duration), (tuple(demand), last), FOR_EVER_NS)


def _inside(setup: Setup, actuators_rad: Sequence[float]) -> tuple[float, ...]:
    joints = [sum(c * a for c, a in zip(row, actuators_rad, strict=True)) for row in setup.joint_of_actuator]
    clipped = [
        min(max(q, joint.low_rad + LIMIT_MARGIN_RAD), joint.high_rad - LIMIT_MARGIN_RAD)
        for q, joint in zip(joints, setup.joints, strict=True)
    ]
    return tuple(sum(c * q for c, q in zip(row, clipped, strict=True)) for row in setup.actuator_of_joint)
