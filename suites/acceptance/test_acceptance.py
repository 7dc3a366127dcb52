"""Acceptance of a leg before it joins the robot: every procedure, gentle ones first.

    pytest suites/acceptance --leg fixtures/legs/tarn-fl.yaml

The limits are the criteria of the leg file. A test that could not be run makes the run exit 1.
"""

import pytest

from legtest import backlash, carriage, friction, holding, homing, range_of_motion, tracking

pytestmark = pytest.mark.leg_required


def test_homing_repeats(bench, joint, judge):
    judge(*homing.run(bench, joint))


def test_range_of_motion(bench, joint, judge):
    judge(*range_of_motion.run(bench, joint))


def test_backlash(bench, joint, judge):
    judge(*backlash.run(bench, joint))


def test_running_friction(bench, joint, judge):
    judge(*friction.run(bench, joint))


def test_holding_torque(bench, joint, judge):
    judge(*holding.run(bench, joint))


def test_foot_follows_its_path(bench, judge):
    judge(*tracking.run(bench))


def test_carriage_runs_freely(bench, judge):
    judge(*carriage.run(bench))
