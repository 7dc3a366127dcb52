"""What the strategies for users draw lies inside the limits, and a simulated leg can do it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legtest import homing, simulated_bench, strategies
from legtest.description import default_bench, read_leg
from legtest.description.model import LegDescription
from legtest.errors import UsageError
from legtest.kinematics import foot_of_joints, joints_of_foot
from legtest.wiring import setup_of
from tests.source_tree import ROOT

LEGS = [read_leg(ROOT / f"fixtures/legs/{name}.yaml") for name in ("tarn-fl", "tarn-hopper")]
PERIOD_S = 1 / default_bench().rate_hz
each_leg = pytest.mark.parametrize("leg", LEGS, ids=lambda leg: leg.name)
drawn = settings(max_examples=25, deadline=None)


def inside(leg: LegDescription, rows: np.ndarray, margin: float = strategies.INSIDE_RAD) -> bool:
    low, high = np.array([joint.limits_rad for joint in leg.joints]).T
    return bool(np.all((rows >= low + margin - 1e-9) & (rows <= high - margin + 1e-9)))


@each_leg
@drawn
@given(data=st.data())
def test_poses_and_feet(leg: LegDescription, data: st.DataObject) -> None:
    assert inside(leg, np.array(data.draw(strategies.poses(leg))))
    foot = data.draw(strategies.feet(leg))
    pose = joints_of_foot(leg, foot)
    assert inside(leg, pose)
    assert foot_of_joints(leg, pose) == pytest.approx(foot, abs=1e-9)


@each_leg
@drawn
@given(data=st.data())
def test_foot_paths_close_and_keep_to_the_speed(leg: LegDescription, data: st.DataObject) -> None:
    path = data.draw(strategies.foot_paths(leg))
    assert path.shape[1] == len(leg.joints)
    assert inside(leg, path)
    assert path[0] == pytest.approx(path[-1], abs=1e-9)
    speed = np.abs(np.diff(path, axis=0)).max(axis=0) / PERIOD_S
    allowed = [joint.speed_rad_s for joint in setup_of(leg, default_bench()).joints]
    assert np.all(speed <= strategies.SPEED_SHARE * np.array(allowed) * 1.02)


@each_leg
@drawn
@given(data=st.data())
def test_set_points_and_legs(leg: LegDescription, data: st.DataObject) -> None:
    made = data.draw(strategies.legs(leg))
    assert made.sha256 != leg.sha256
    point = data.draw(strategies.set_points(made))
    assert inside(made, np.array(point.joints_rad))
    for cap, joint, limits in zip(point.caps_Nm, made.joints, setup_of(made, default_bench()).joints, strict=True):
        assert strategies.LEAST_CAP * joint.torque_Nm <= cap <= joint.torque_Nm
        assert 0 < point.speed_rad_s <= limits.speed_rad_s


def test_a_joint_without_room() -> None:
    leg = LEGS[1]
    narrow = replace(leg, joints=(replace(leg.joints[0], limits_rad=(0.0, 0.09)), *leg.joints[1:]))
    with pytest.raises(UsageError, match="the limits of hip leave no room for a pose"):
        strategies.poses(narrow)


@pytest.mark.slow
@settings(max_examples=3, deadline=None, derandomize=True)
@given(leg=strategies.legs(LEGS[1]), data=st.data())
def test_a_simulated_leg_does_what_is_drawn(leg: LegDescription, data: st.DataObject) -> None:
    point, path = data.draw(strategies.set_points(leg)), data.draw(strategies.foot_paths(leg))
    with simulated_bench(leg) as bench:
        homing.ensure(bench)
        with bench.energised():
            bench.move_to(*point)
            assert bench.sample().joints_rad == pytest.approx(point.joints_rad, abs=0.05)
            bench.move_to(path[0])
            bench.follow(path)
            assert bench.sample().joints_rad == pytest.approx(path[-1], abs=0.05)
