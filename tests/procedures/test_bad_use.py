"""What a test may ask wrongly, and what it is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from simulated import Simulated, simulated

from legtest.description.setup import SetUp
from legtest.errors import LegtestError, NotPermitted, UsageError
from legtest.kinematics import joints_of_foot
from legtest.metrology.verdict import Word
from legtest.procedures import backlash, friction, homing, range_of_motion, tracking
from legtest.procedures.base import run as run_procedure
from legtest.procedures.catalogue import PROCEDURES


@pytest.fixture(scope="module")
def it() -> Simulated:
    return simulated("tarn-hopper", 3)


def test_motion_without_power(it: Simulated) -> None:
    with pytest.raises(NotPermitted, match=r"motion needs power: put it inside `with bench\.energised\(\)`"):
        it.bench.follow(np.zeros((3, 2)))


@pytest.mark.parametrize("procedure", [p for p in PROCEDURES if p.per_joint], ids=lambda p: p.name)
@pytest.mark.parametrize("joint", ["elbow", None])
def test_a_joint_that_is_none(it: Simulated, procedure: Any, joint: Any) -> None:
    with pytest.raises(UsageError, match=rf"{procedure.name}: {joint!r} is no joint of tarn-hopper: .* hip, knee"):
        run_procedure(procedure, it.bench, joint)


def test_a_joint_of_another_leg(it: Simulated) -> None:
    with pytest.raises(UsageError, match="'knee' is no joint of tarn-hopper"):
        homing.run(it.bench, simulated("tarn-fl", 1).leg.joint("knee"))


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda b, j: homing.run(b, j, cycles=2), "homing repeatability: cycles=2: at least 3"),
        (lambda b, j: range_of_motion.run(b, j, contacts_per_stop=1), "contacts_per_stop=1: at least 2"),
        (lambda b, j: friction.run(b, j, speeds_rad_s=(0.5, 1.0, 1.0)), "number of speeds=2: at least 3"),
        (lambda b, j: tracking.run(b, cycles=1), "tracking: cycles=1: at least 4"),
    ],
)
def test_too_few_repeats(it: Simulated, call: Callable[..., object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        call(it.bench, it.leg.joint("knee"))


def test_the_bench_is_as_it_was_after_all_this(it: Simulated) -> None:
    """Nothing above has energised or homed anything."""
    assert (it.bench.prechecks, it.bench.homed, it.bench.setup) == ([], False, SetUp.CLAMPED)


def test_a_path_out_of_reach_or_limits_is_refused_before_it_begins() -> None:
    it = simulated("tarn-hopper", 3)
    with pytest.raises(UsageError, match="the foot cannot reach"):
        joints_of_foot(it.leg, [0.0, 0.0, -1.0])
    homing.ensure(it.bench)
    with it.bench.energised():
        before = it.bench.sample().joints_rad
        with pytest.raises(LegtestError, match="knee"):
            it.bench.move_to([0.0, np.radians(9.5)])  # between the limit and the end stop
        assert it.bench.sample().joints_rad == pytest.approx(before, abs=2e-3)
    it.bench.description = replace(it.bench.description, known_mass_kg=None)
    with pytest.raises(UsageError, match="known_mass: this bench names no mass"):
        it.bench.arrange(SetUp.MASS)


def test_a_torque_that_is_not_reached_is_an_invalid_measurement_and_no_verdict() -> None:
    """Play beyond what the method can cross: the measurement went wrong, not the leg."""
    it = simulated("tarn-hopper", 3)
    it.rig.physics.model.tendon_lengthspring[-1] *= 100.0  # the knee's belt has come off
    (m,) = backlash.run(it.bench, it.leg.joint("knee"))
    assert "1.8 N*m were not reached" in m.invalid
    assert it.verdict(m) is Word.INVALID
