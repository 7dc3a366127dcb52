"""After each change of a program or a description, simulated: short forms of what breaks first.

    pytest suites/commit -n 2 --leg fixtures/legs/tarn-fl.yaml

Under a minute on two cores. The limits are the criteria of the leg file; with so few repeats it finds what is broken,
not what is worn. What a leg or its bench cannot do is `not run`, says why, and fails nothing. Gentle tests first, by
energy class.
"""

from legtest import at_rest, backlash, communication, friction, homing, identity, loss_reaction, step, tracking, twitch


# Energy class 0: no power.
def test_drives_are_those_of_the_file(bench, judge):
    judge(*identity.run(bench))


def test_telemetry_is_quiet_at_rest(bench, judge):
    judge(*at_rest.run(bench))


def test_drives_answer_in_time(bench, judge):
    judge(*communication.run(bench))


# Energy class 1: torque-capped.
def test_each_motor_turns_its_own_joint(bench, judge):
    judge(*twitch.run(bench))


def test_drives_stop_when_the_host_is_silent(bench, judge):
    judge(*loss_reaction.run(bench))


def test_homing_repeats(bench, joint, judge):
    judge(*homing.run(bench, joint, cycles=5))


def test_backlash(bench, joint, judge):
    judge(*backlash.run(bench, joint))


# Energy class 2: free motion.
def test_running_friction(bench, joint, judge):
    judge(*friction.run(bench, joint, speeds_rad_s=(0.3, 0.8, 1.5)))


def test_foot_follows_its_path(bench, judge):
    judge(*tracking.run(bench, cycles=4))


def test_steps(bench, joint, judge):
    judge(*step.run(bench, joint))
