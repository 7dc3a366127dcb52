"""Against 20 poses that three independent computations agree on, a MuJoCo model built here, and laws."""

from pathlib import Path

import mujoco
import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from legtest.description.model import (
    Criteria,
    DecisionRule,
    DriveDescription,
    Geometry,
    HomeDescription,
    JointDescription,
    LegDescription,
)
from legtest.errors import UsageError
from legtest.kinematics import (
    UnreachableError,
    actuator_torques,
    actuators_of_joints,
    foot_of_joints,
    hold_torques,
    jacobian,
    joint_torques,
    joints_of_actuators,
    joints_of_foot,
)

REFERENCES = Path(__file__).parents[1] / "references" / "kinematics"
CASES = yaml.safe_load((REFERENCES / "kinematics.yaml").read_text(encoding="utf-8"))
LINES = (REFERENCES / "leg-poses.csv").read_text(encoding="utf-8").splitlines()
POSES = np.loadtxt([line for line in LINES if line[0] in "-0123456789"], delimiter=",")


def a_leg(names=("abduction", "hip", "knee"), *, offset=0.061, knee_sign=-1, coupling=None):
    drive = DriveDescription("cia402", 1, "", 65536, 6, 1, 150, 2.5, None, None, None, None)
    joints = tuple(
        JointDescription(name, drive, (-3, 3), (-3, 3), 12, 18, HomeDescription("low", 2, 0.5)) for name in names
    )
    return LegDescription(
        "tarn-fl", "", "", Geometry(offset, 0.172, 0.188, knee_sign), joints,
        coupling or tuple(map(tuple, np.eye(len(names)).tolist())),
        Criteria({}, {}), DecisionRule("guarded", 0.95), {},
    )  # fmt: skip


BELT = tuple(tuple(map(float, row)) for row in CASES["coupling"]["A"])
LEG, PLANAR = a_leg(), a_leg(("hip", "knee"), offset=0.0)
COUPLED = a_leg(coupling=BELT)
angle = st.floats(-1.2, 1.2)
pose = st.tuples(angle, angle, st.floats(-2.2, -0.1))


def test_the_reference_has_its_twenty_poses():
    assert POSES.shape == (20, 21)


@pytest.mark.parametrize("row", POSES, ids=lambda row: " ".join(f"{x:g}" for x in row[:3]))
def test_poses(row):
    q = np.deg2rad(row[:3])
    assert foot_of_joints(LEG, q) == pytest.approx(row[3:6], abs=1e-9)
    assert jacobian(LEG, q).ravel() == pytest.approx(row[6:15], abs=1e-9)
    assert hold_torques(LEG, q, [0, 0, 100]) == pytest.approx(row[15:18], abs=1e-7)


def test_many_rows_are_the_same_as_one_by_one():
    q = np.deg2rad(POSES[:, :3])
    feet = foot_of_joints(LEG, q)
    assert feet == pytest.approx(POSES[:, 3:6], abs=1e-9)
    assert jacobian(LEG, q).shape == (20, 3, 3)
    assert hold_torques(LEG, q, [0, 0, 100]) == pytest.approx(POSES[:, 15:18], abs=1e-7)
    one_by_one = [joints_of_foot(LEG, foot) for foot in feet]
    assert joints_of_foot(LEG, feet) == pytest.approx(np.array(one_by_one), abs=0)


def test_signs():
    straight = np.zeros(3)
    assert foot_of_joints(LEG, straight) == pytest.approx([0, 0.061, -0.36])
    assert foot_of_joints(LEG, [0, 0.1, 0])[0] < 0  # positive hip: backward
    assert foot_of_joints(LEG, [0.1, 0, 0])[1] > 0.061  # positive abduction: to the left
    case = CASES["torque_sign"]
    wanted = [case["tau_a"], case["tau_h"], case["tau_k"]]
    assert hold_torques(LEG, straight, [0, 0, 100]) == pytest.approx(wanted)
    right = a_leg(offset=-0.061)
    assert foot_of_joints(right, [-0.3, 0.4, -0.5]) == pytest.approx(foot_of_joints(LEG, [0.3, 0.4, -0.5]) * [1, -1, 1])


@pytest.mark.parametrize("case", CASES["planar_inverse"]["cases"], ids=str)
def test_inverse_cases(case):
    sign = 1 if case["knee_sign"] == "+" else -1
    wanted = np.deg2rad([case["hip_deg"], case["knee_deg"]])
    planar = joints_of_foot(a_leg(("hip", "knee"), offset=0.0, knee_sign=sign), [case["x"], 0, case["z"]])
    assert planar == pytest.approx(wanted, abs=1e-9)
    spatial = joints_of_foot(a_leg(knee_sign=sign), [case["x"], 0.061, case["z"]])
    assert spatial == pytest.approx([0, *wanted], abs=1e-9)


def test_the_belt_driven_knee():
    x = CASES["coupling"]["example"]
    motor, joint = np.deg2rad(x["motor_deg"]), np.deg2rad(x["joint_deg"])
    assert joints_of_actuators(COUPLED, motor) == pytest.approx(joint, abs=1e-12)
    assert actuators_of_joints(COUPLED, joint) == pytest.approx(motor, abs=1e-12)
    assert actuator_torques(COUPLED, x["joint_torque"]) == pytest.approx(x["motor_torque"])
    assert joint_torques(COUPLED, x["motor_torque"]) == pytest.approx(x["joint_torque"])


@given(pose, st.sampled_from([0.061, -0.061, 0.0]))
def test_round_trip_of_the_leg(q, offset):
    leg = a_leg(offset=offset)
    foot = foot_of_joints(leg, q)
    if q[1] + q[2] / 2 > -1.4 and foot_below_hip(q):
        assert joints_of_foot(leg, foot) == pytest.approx(q, abs=1e-7)
    assert foot_of_joints(leg, joints_of_foot(leg, foot)) == pytest.approx(foot, abs=1e-9)


def foot_below_hip(q):
    return 0.172 * np.cos(q[1]) + 0.188 * np.cos(q[1] + q[2]) > 1e-3


@given(st.floats(-3, 3), st.floats(-3, -0.01))
def test_round_trip_of_the_planar_leg(hip, knee):
    found = joints_of_foot(PLANAR, foot_of_joints(PLANAR, [hip, knee]))
    assert found == pytest.approx([hip, knee], abs=1e-6)


triple = st.tuples(*3 * [st.floats(-50, 50)])


@given(triple, triple, st.lists(st.floats(-2, 2), min_size=3, max_size=3))
def test_power_in_is_power_out(torques, speeds, below):
    coupling = ((1.0, 0.0, 0.0), (below[0], 1.0, 0.0), (below[1], below[2], 1.0))
    leg = a_leg(coupling=coupling)
    joint_power = np.dot(torques, joints_of_actuators(leg, speeds))
    assert np.dot(actuator_torques(leg, torques), speeds) == pytest.approx(joint_power, abs=1e-8)
    assert joint_torques(leg, actuator_torques(leg, torques)) == pytest.approx(torques, abs=1e-8)
    assert actuators_of_joints(leg, joints_of_actuators(leg, speeds)) == pytest.approx(speeds, abs=1e-8)


@given(pose, triple, triple)
def test_virtual_work_at_the_foot(q, speeds, force):
    """Holding torques do the opposite of the work that the force does, for any motion."""
    foot_speed = jacobian(LEG, q) @ speeds
    assert np.dot(hold_torques(LEG, q, force), speeds) == pytest.approx(-np.dot(force, foot_speed), abs=1e-7)


@given(pose)
def test_the_jacobian_is_the_derivative_of_the_foot(q):
    h = 1e-6
    for leg, at in ((LEG, np.array(q)), (PLANAR, np.array(q[1:]))):
        steps = np.eye(len(at)) * h
        slope = (foot_of_joints(leg, at + steps) - foot_of_joints(leg, at - steps)).T / (2 * h)
        assert jacobian(leg, at) == pytest.approx(slope, abs=1e-9)


XML = """
<mujoco><worldbody>
  <body name="hip"><joint type="hinge" axis="1 0 0"/><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
    <body pos="0 0.061 0"><joint type="hinge" axis="0 1 0"/><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
      <body pos="0 0 -0.172"><joint type="hinge" axis="0 1 0"/><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
        <site name="foot" pos="0 0 -0.188"/>
      </body></body></body>
</worldbody></mujoco>
"""


@pytest.fixture(scope="module")
def mechanism():
    model = mujoco.MjModel.from_xml_string(XML)
    return model, mujoco.MjData(model)


@settings(max_examples=50)
@given(q=st.tuples(*3 * [st.floats(-3.1, 3.1)]))
def test_mujoco_agrees(mechanism, q):
    model, data = mechanism
    data.qpos[:] = q
    mujoco.mj_kinematics(model, data)
    mujoco.mj_comPos(model, data)
    slopes = np.zeros((3, 3))
    mujoco.mj_jacSite(model, data, slopes, None, 0)
    assert foot_of_joints(LEG, q) == pytest.approx(data.site_xpos[0], abs=1e-12)
    assert jacobian(LEG, q) == pytest.approx(slopes, abs=1e-12)


@pytest.mark.parametrize(
    ("leg", "foot", "words"),
    [
        (LEG, [0, 0.061, -0.4], "cannot reach x 0 mm, y 61 mm, z -400 mm: the foot reaches 16 mm to 360 mm"),
        (LEG, [0, 0.061, -0.01], "16 mm to 360 mm from the hip axis"),
        (LEG, [0.3, 0.02, -0.02], "at least 61 mm from the abduction axis"),
        (PLANAR, [0, 0.05, -0.3], "foot stays at y = 0 mm"),
        (PLANAR, [[0, 0, -0.3], [0, 0, -0.5]], "z -500 mm"),
    ],
)
def test_points_out_of_reach_name_the_reach(leg, foot, words):
    with pytest.raises(UnreachableError, match=words):
        joints_of_foot(leg, foot)


def test_the_edge_of_the_reach_is_reached():
    assert joints_of_foot(PLANAR, [0, 0, -0.36]) == pytest.approx([0, 0], abs=1e-9)


def test_wrong_shapes_and_unknown_legs_are_refused():
    with pytest.raises(UsageError, match=r"needs 3 values \(abduction, hip, knee\), got shape \(2,\)"):
        foot_of_joints(LEG, [0, 0])
    with pytest.raises(UsageError, match="three finite coordinates"):
        joints_of_foot(LEG, [0, np.nan, 0])
    with pytest.raises(UsageError, match="three finite coordinates"):
        joints_of_foot(LEG, 0.3)
    with pytest.raises(UsageError, match="has the joints knee, hip"):
        foot_of_joints(a_leg(("knee", "hip")), [0, 0])
