"""Every night, simulated: whatever needs no heat and no fall, with all its repeats.

    pytest suites/nightly -n 2 --leg fixtures/legs/tarn-fl.yaml --leg fixtures/legs/tarn-hopper.yaml

Add --leg-history to see trends, and another --leg-seed each night for another simulated leg (`legtest criteria` wants
ten of them). The limits are the criteria of the leg file. What a leg or its bench cannot do is `not run`, says why, and
fails nothing. Gentle tests first, by energy class.
"""

from legtest import (
    at_rest,
    backlash,
    braking,
    breakaway,
    carriage,
    communication,
    compliance,
    cross_coupling,
    emergency_stop,
    frequency,
    friction,
    heights,
    holding,
    homing,
    identification,
    identity,
    loss_reaction,
    positioning,
    power_up,
    range_of_motion,
    slow_sweep,
    stand,
    stand_mode,
    step,
    stribeck,
    supply,
    torque_constant,
    tracking,
    twitch,
)


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


def test_supply_does_not_sag(bench, judge):
    judge(*supply.run(bench))


def test_braking_lifts_the_supply_little(bench, judge):
    judge(*braking.run(bench))


def test_emergency_stop(bench, judge):
    judge(*emergency_stop.run(bench))


def test_joints_give_way(bench, joint, judge):
    judge(*breakaway.run(bench, joint))


def test_friction_is_even(bench, joint, judge):
    judge(*slow_sweep.run(bench, joint))


def test_friction_at_creeping_speed(bench, joint, judge):
    judge(*stribeck.run(bench, joint))


def test_torque_constant(bench, joint, judge):
    judge(*torque_constant.run(bench, joint))


def test_stiffness_and_damping_as_set(bench, joint, judge):
    judge(*compliance.run(bench, joint))


def test_poses_are_reached_from_both_sides(bench, joint, judge):
    judge(*positioning.run(bench, joint))


def test_lengths_of_the_drawing(bench, judge):
    judge(*heights.run(bench))


def test_steps(bench, joint, judge):
    judge(*step.run(bench, joint))


def test_frequency_response(bench, joint, judge):
    judge(*frequency.run(bench, joint))


def test_joints_do_not_move_each_other(bench, joint, judge):
    judge(*cross_coupling.run(bench, joint))


def test_gravity_and_inertia(bench, judge):
    judge(*identification.run(bench))


def test_stand_stiffness(bench, judge):
    judge(*stand.run(bench))


def test_stand_mode(bench, judge):
    judge(*stand_mode.run(bench))
