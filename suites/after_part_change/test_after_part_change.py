"""After a motor, gearbox, belt, link or encoder was changed: what of the leg is another one now?

    pytest suites/after_part_change --leg LEG.yaml --leg-baseline NAME

What a part brings with it: place of the stops, play, friction, torque, lengths, inertia, and the stand that the leg was
mounted on again. Keep what passes as the new baseline (`legtest baseline accept`). The limits are the criteria of the
leg file. Gentle tests first, by energy class.
"""

import pytest

from legtest import (
    at_rest,
    backlash,
    breakaway,
    carriage,
    communication,
    friction,
    heights,
    holding,
    homing,
    identification,
    identity,
    positioning,
    power_up,
    range_of_motion,
    slow_sweep,
    stand,
    stand_mode,
    stribeck,
    torque_constant,
    tracking,
    twitch,
)

pytestmark = pytest.mark.leg_required


# Energy class 0: no power.
def test_drives_are_those_of_the_file(bench, judge):
    judge(*identity.run(bench))


def test_telemetry_is_quiet_at_rest(bench, judge):
    judge(*at_rest.run(bench))


def test_drives_answer_in_time(bench, judge):
    judge(*communication.run(bench))


def test_angles_survive_power_off(bench, judge):
    judge(*power_up.run(bench))


# Energy class 1: torque-capped.
def test_each_motor_turns_its_own_joint(bench, judge):
    judge(*twitch.run(bench))


def test_homing_repeats(bench, joint, judge):
    judge(*homing.run(bench, joint))


def test_range_of_motion(bench, joint, judge):
    judge(*range_of_motion.run(bench, joint))


def test_backlash(bench, joint, judge):
    judge(*backlash.run(bench, joint))


# Energy class 2: free motion.
def test_running_friction(bench, joint, judge):
    judge(*friction.run(bench, joint))


def test_holding_torque(bench, joint, judge):
    judge(*holding.run(bench, joint))


def test_foot_follows_its_path(bench, judge):
    judge(*tracking.run(bench))


def test_carriage_runs_freely(bench, judge):
    judge(*carriage.run(bench))


def test_joints_give_way(bench, joint, judge):
    judge(*breakaway.run(bench, joint))


def test_friction_is_even(bench, joint, judge):
    judge(*slow_sweep.run(bench, joint))


def test_friction_at_creeping_speed(bench, joint, judge):
    judge(*stribeck.run(bench, joint))


def test_torque_constant(bench, joint, judge):
    judge(*torque_constant.run(bench, joint))


def test_poses_are_reached_from_both_sides(bench, joint, judge):
    judge(*positioning.run(bench, joint))


def test_lengths_of_the_drawing(bench, judge):
    judge(*heights.run(bench))


def test_gravity_and_inertia(bench, judge):
    judge(*identification.run(bench))


def test_stand_stiffness(bench, judge):
    judge(*stand.run(bench))


def test_stand_mode(bench, judge):
    judge(*stand_mode.run(bench))
