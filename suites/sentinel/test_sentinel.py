"""Every day before work, three minutes of the leg's time: is it what it was yesterday?

    pytest suites/sentinel --leg fixtures/legs/tarn-fl.yaml --leg-history runs/history.sqlite

Its values are for the trend (`legtest history LEG`); the limits are the criteria of the leg file. The same few repeats
each day, so that the days compare. Gentle tests first, by energy class.
"""

import pytest

from legtest import communication, friction, homing, identity

pytestmark = pytest.mark.leg_required


# Energy class 0: no power.
def test_drives_are_those_of_the_file(bench, judge):
    judge(*identity.run(bench))


def test_drives_answer_in_time(bench, judge):
    judge(*communication.run(bench, seconds=8.0))


# Energy class 1: torque-capped.
def test_homing_repeats(bench, joint, judge):
    judge(*homing.run(bench, joint, cycles=4))


# Energy class 2: free motion.
def test_running_friction(bench, joint, judge):
    judge(*friction.run(bench, joint, speeds_rad_s=(0.5, 1.0, 1.5)))
