"""What procedures ask the leg to do, before anything moves: tables within limits and speeds, for random sound legs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from simulated import LEGS

from legtest.description import read_leg
from legtest.description.model import Geometry, JointDescription, LegDescription
from legtest.kinematics import foot_of_joints
from legtest.procedures import contact, friction, posture, tracking

PERIOD_S = 0.004
FL, HOPPER = (read_leg(LEGS / f"{name}.yaml") for name in ("tarn-fl", "tarn-hopper"))


def _joint(joint: JointDescription, low: float, high: float) -> JointDescription:
    return replace(joint, limits_rad=(low, high), travel_rad=(low - 0.04, high + 0.04))


@st.composite
def legs(draw: st.DrawFn) -> LegDescription:
    """A leg of either build with other lengths and limits; a knee that bends one way, room of at least 60 deg."""
    leg = draw(st.sampled_from([FL, HOPPER]))
    geometry = Geometry(leg.geometry.hip_offset_m, draw(st.floats(0.08, 0.4)), draw(st.floats(0.08, 0.4)), -1)
    ranges = {
        "abduction": (draw(st.floats(-1.4, -0.6)), draw(st.floats(0.5, 1.4))),
        "hip": (draw(st.floats(-1.6, -0.8)), draw(st.floats(0.8, 1.6))),
        "knee": (draw(st.floats(-2.6, -1.2)), draw(st.floats(-0.1, 0.2))),
    }
    return replace(leg, geometry=geometry, joints=tuple(_joint(j, *ranges[j.name]) for j in leg.joints))


def _inside(leg: LegDescription, pose: np.ndarray) -> bool:
    return all(j.limits_rad[0] <= q <= j.limits_rad[1] for j, q in zip(leg.joints, pose, strict=True))


@settings(deadline=None)
@given(legs())
def test_a_clear_leg_keeps_away_from_its_limits(leg: LegDescription) -> None:
    for joint, angle in zip(leg.joints, posture.clear(leg), strict=True):
        assert joint.limits_rad[0] + 0.2 <= angle <= joint.limits_rad[1] - 0.2 + 1e-12
        assert angle == 0.0 or min(abs(angle - limit) for limit in joint.limits_rad) == pytest.approx(0.2)


@settings(deadline=None)
@given(legs(), st.floats(0.05, 0.4))
def test_an_arc_around_the_middle_fits(leg: LegDescription, half: float) -> None:
    for index, joint in enumerate(leg.joints):
        pose = posture.middle(leg, joint, half)
        assert joint.limits_rad[0] <= pose[index] - half
        assert pose[index] + half <= joint.limits_rad[1]
        assert _inside(leg, pose)


@settings(deadline=None, max_examples=40)
@given(legs())
def test_a_loaded_posture_is_loaded_and_inside(leg: LegDescription) -> None:
    """At the drawing's hanging pose of the others, by an independent lever: mass x g x horizontal distance."""
    for index, joint in enumerate(leg.joints):
        pose = posture.loaded(leg, joint)
        assert joint.limits_rad[0] < pose[index] < joint.limits_rad[1]
        angles = np.linspace(joint.limits_rad[0] + 0.15, joint.limits_rad[1] - 0.15, 400)
        poses = np.zeros((400, len(leg.joints)))
        poses[:, index] = angles
        loads = np.abs(posture.weight_torques(leg, poses, 1.0)[:, index])
        here = abs(float(posture.weight_torques(leg, pose, 1.0)[index]))
        assert here >= 0.74 * loads.max()


@pytest.mark.parametrize("leg", [FL, HOPPER], ids=lambda leg: leg.name)
def test_the_weight_of_a_mass_does_the_work_that_lifting_it_takes(leg: LegDescription) -> None:
    """Virtual work: actuator torque x actuator angle = mass x 9.80665 m/s2 x height (standard gravity, CGPM 1901)."""
    rng = np.random.default_rng(5)
    coupling = np.array(leg.coupling)
    for _ in range(50):
        pose = np.array([rng.uniform(*j.limits_rad) for j in leg.joints])
        step = 1e-6 * rng.normal(size=len(pose))  # of the actuators
        height = [foot_of_joints(leg, pose + sign * coupling @ step)[2] for sign in (-1, 1)]
        work = 2 * float(posture.weight_torques(leg, pose, 2.5) @ step)
        assert work == pytest.approx(2.5 * 9.80665 * (height[1] - height[0]), rel=1e-4, abs=1e-12)


@settings(deadline=None)
@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(0.1, 2.0))
def test_an_approach_never_exceeds_its_speed(start: float, goal: float, speed: float) -> None:
    rows = contact._ramp(np.array([start, 0.3]), np.array([goal, 0.3]), speed, round(PERIOD_S * 1e9))
    assert rows[0] == pytest.approx([start, 0.3])
    assert rows[-1] == pytest.approx([goal, 0.3])
    assert np.abs(np.diff(rows, axis=0)).max() <= speed * PERIOD_S * (1 + 1e-6)


@settings(deadline=None)
@given(st.floats(0.05, 3.0))
def test_a_friction_run_is_at_its_speed_all_over_the_arc(speed: float) -> None:
    path = friction._run(speed, PERIOD_S)
    middle = friction.ARC_RAD + friction.RUN_UP_RAD
    rates = np.diff(path) / PERIOD_S
    assert path[0] == 0.0
    assert path[-1] == pytest.approx(2 * middle)
    assert rates.max() <= speed * 1.02
    on_arc = (np.abs(path[:-1] - middle) < friction.ARC_RAD) & (np.abs(path[1:] - middle) < friction.ARC_RAD)
    assert rates[on_arc] == pytest.approx(speed, rel=0.03)
    assert np.abs(np.diff(rates)).max() <= 1.05 * speed**2 / friction.RUN_UP_RAD * PERIOD_S  # evenly speeded up


@settings(deadline=None, max_examples=20)
@given(legs(), st.floats(0.5, 2.0), st.integers(4, 6))
def test_the_foot_path_is_continuous_and_below_the_hip(leg: LegDescription, frequency: float, cycles: int) -> None:
    nearest = (tracking.HEIGHT_SHARE - tracking.LIFT_SHARE / 2) * (leg.geometry.thigh_m + leg.geometry.shank_m)
    assume(abs(leg.geometry.thigh_m - leg.geometry.shank_m) < 0.95 * nearest)  # very unlike links do not reach there
    rows = tracking.ellipse(leg, PERIOD_S, cycles, frequency)
    foot = foot_of_joints(leg, rows)
    length = leg.geometry.thigh_m + leg.geometry.shank_m
    half = np.array([tracking.STRIDE_SHARE, 0.0, tracking.LIFT_SHARE / 2]) * length
    centre = np.array([0.0, leg.geometry.hip_offset_m, -tracking.HEIGHT_SHARE * length])
    on_ellipse = ((foot - centre)[:, [0, 2]] / half[[0, 2]]) ** 2
    assert on_ellipse.sum(axis=1) == pytest.approx(1.0, abs=1e-6)
    assert foot[:, 1] == pytest.approx(centre[1], abs=1e-9)
    top = 2 * np.pi * frequency * half[0]
    assert np.linalg.norm(np.diff(foot, axis=0), axis=1).max() <= 1.01 * top * PERIOD_S
    assert np.linalg.norm(foot[1] - foot[0]) < 0.05 * top * PERIOD_S  # begun at rest
    assert np.linalg.norm(foot[-1] - foot[-2]) < 0.05 * top * PERIOD_S
