"""hypothesis strategies for legs: poses, set-points and foot paths that a leg can follow, and legs of other sizes.

For property tests of a user's own procedure on the simulated leg; needs hypothesis (`pip install 'legtest[property]'`):

    @given(pose=strategies.poses(LEG))
    def test_it(pose):
        with simulated_bench(LEG) as bench: ...

Never for a leg that hangs on a bench: a session with --live refuses every test under @given.
"""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from math import ceil
from typing import NamedTuple

import numpy as np
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy
from numpy.typing import NDArray

from legtest.description import default_bench
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import UsageError
from legtest.kinematics import UnreachableError, foot_of_joints, joints_of_foot
from legtest.wiring import setup_of

FloatArray = NDArray[np.float64]
INSIDE_RAD = 0.05  # poses keep so far inside the limits: a leg that is stopped there overshoots
SPEED_SHARE = 0.5  # of the speed that is allowed on the bench
LEAST_CAP = 0.5  # of a joint's peak torque; with less a leg may sag, and is stopped for that
SIZE = (0.85, 1.1)  # of a drawn leg, against the leg it is made from


class SetPoint(NamedTuple):
    """What `bench.move_to(*set_point)` takes: joint angles (joints,), rad; speed, rad/s; torque caps (joints,), N*m."""

    joints_rad: tuple[float, ...]
    speed_rad_s: float
    caps_Nm: tuple[float, ...]


def poses(leg: LegDescription) -> SearchStrategy[tuple[float, ...]]:
    """Joint angles (joints,), rad, inside the limits of every joint by INSIDE_RAD. Shrinks towards zero.

    Raises UsageError for a joint with less room than that.
    """
    ranges = []
    for joint in leg.joints:
        low, high = joint.limits_rad[0] + INSIDE_RAD, joint.limits_rad[1] - INSIDE_RAD
        if low >= high:
            raise UsageError(f"{leg.name}: the limits of {joint.name} leave no room for a pose")
        ranges.append(st.floats(low, high))
    return st.tuples(*ranges)


def feet(leg: LegDescription) -> SearchStrategy[tuple[float, float, float]]:
    """Foot positions (3,), m, in the frame of the hip, that a pose inside the limits reaches."""

    def foot(pose: tuple[float, ...]) -> tuple[float, float, float]:
        x, y, z = foot_of_joints(leg, pose).tolist()
        return x, y, z

    return poses(leg).filter(lambda pose: _fits(leg, foot_of_joints(leg, pose)[None]) is not None).map(foot)


@st.composite
def set_points(draw: DrawFn, leg: LegDescription, bench: BenchDescription | None = None) -> SetPoint:
    """A pose with a speed and torque caps at which a sound leg gets there. bench: None = the usual simulated one."""
    speed = SPEED_SHARE * min(_speeds(leg, bench))
    caps = tuple(joint.torque_Nm * draw(st.floats(LEAST_CAP, 1.0)) for joint in leg.joints)
    return SetPoint(draw(poses(leg)), draw(st.floats(0.2 * speed, speed)), caps)


@st.composite
def foot_paths(draw: DrawFn, leg: LegDescription, bench: BenchDescription | None = None) -> FloatArray:
    """Joint angles (rows, joints), rad, one row a control period: one turn of the foot on an ellipse.

    It begins and ends at rest in its first pose, inside the limits, at no more than SPEED_SHARE of the allowed speed:
    `bench.move_to(path[0])`, then `bench.follow(path)`. bench: None = the usual simulated one.
    """
    bench = bench or default_bench()
    centre = np.array(draw(feet(leg)))
    size = leg.geometry.thigh_m + leg.geometry.shank_m
    length, height = (size * draw(st.floats(0.0, 0.25)) for _ in range(2))
    fine = _ellipse(leg, centre, length, height, 400)
    speeds = np.abs(np.diff(fine, axis=0)).max(axis=0) * 400  # rad in the time of one turn
    seconds = max(0.4, float(np.max(speeds / (SPEED_SHARE * np.array(_speeds(leg, bench))))))
    seconds *= draw(st.floats(1.0, 2.0))
    return _ellipse(leg, centre, length, height, ceil(seconds * bench.rate_hz))


@st.composite
def legs(draw: DrawFn, base: LegDescription) -> LegDescription:
    """Legs of other lengths, limits and speeds than a given one, whose drives and stand are kept."""
    g, scale = base.geometry, st.floats(*SIZE)
    geometry = replace(
        g, hip_offset_m=g.hip_offset_m * draw(scale), thigh_m=g.thigh_m * draw(scale), shank_m=g.shank_m * draw(scale)
    )
    joints = []
    for joint in base.joints:
        (low, high), share = joint.limits_rad, draw(st.floats(0.0, 0.2))
        limits = (low + share * (high - low) / 2, high - share * (high - low) / 2)
        joints.append(replace(joint, limits_rad=limits, speed_rad_s=joint.speed_rad_s * draw(scale)))
    made = replace(base, geometry=geometry, joints=tuple(joints))
    return replace(made, sha256=sha256(repr(made).encode()).hexdigest())


def _speeds(leg: LegDescription, bench: BenchDescription | None) -> list[float]:
    """What is allowed of each joint on this bench, rad/s."""
    return [joint.speed_rad_s for joint in setup_of(leg, bench or default_bench()).joints]


def _ellipse(leg: LegDescription, centre: FloatArray, length: float, height: float, rows: int) -> FloatArray:
    """The ellipse around a foot position, made smaller until the leg can follow it; at last a hold."""
    s = np.linspace(0.0, 1.0, rows)
    turn = 2 * np.pi * s * s * s * (s * (6 * s - 15) + 10)  # begins and ends without speed and acceleration
    for _ in range(12):
        offset = np.stack([length / 2 * np.cos(turn), 0 * turn, height / 2 * np.sin(turn)], axis=-1)
        path = _fits(leg, centre + offset)
        if path is not None:
            return path
        length, height = length / 2, height / 2
    return np.tile(joints_of_foot(leg, centre), (rows, 1))


def _fits(leg: LegDescription, feet_m: FloatArray) -> FloatArray | None:
    """The joint angles (rows, joints) of foot positions (rows, 3), None where they leave reach or limits, or jump."""
    try:
        path = joints_of_foot(leg, feet_m)
    except UnreachableError:
        return None
    low, high = np.array([joint.limits_rad for joint in leg.joints]).T
    inside = bool(np.all((path >= low + INSIDE_RAD - 1e-9) & (path <= high - INSIDE_RAD + 1e-9)))
    smooth = len(path) == 1 or float(np.abs(np.diff(path, axis=0)).max()) < 0.5
    return path if inside and smooth else None
