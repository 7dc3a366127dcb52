"""After new firmware or settings in a drive: does it still obey, answer, and regulate as before?

    pytest suites/after_firmware --leg LEG.yaml --leg-baseline NAME

What a program in a drive can change: identity, signs, times, reactions to loss and stop, the position loop. Compare
with a run from before (`--leg-baseline`): a limit that still holds does not say that nothing moved. The limits are the
criteria of the leg file. Gentle tests first, by energy class.
"""

import pytest

from legtest import (
    at_rest,
    communication,
    compliance,
    cross_coupling,
    emergency_stop,
    frequency,
    holding,
    homing,
    identity,
    loss_reaction,
    power_up,
    step,
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


def test_drives_stop_when_the_host_is_silent(bench, judge):
    judge(*loss_reaction.run(bench))


def test_homing_repeats(bench, joint, judge):
    judge(*homing.run(bench, joint, cycles=10))


# Energy class 2: free motion.
def test_holding_torque(bench, joint, judge):
    judge(*holding.run(bench, joint))


def test_foot_follows_its_path(bench, judge):
    judge(*tracking.run(bench))


def test_emergency_stop(bench, judge):
    judge(*emergency_stop.run(bench))


def test_stiffness_and_damping_as_set(bench, joint, judge):
    judge(*compliance.run(bench, joint))


def test_steps(bench, joint, judge):
    judge(*step.run(bench, joint))


def test_frequency_response(bench, joint, judge):
    judge(*frequency.run(bench, joint))


def test_joints_do_not_move_each_other(bench, joint, judge):
    judge(*cross_coupling.run(bench, joint))
