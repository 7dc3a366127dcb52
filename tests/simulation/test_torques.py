"""What a motor gives and what its drive reads: saturation, offset, stiction, one-sided and load friction, ripple."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_leg import make_bench, make_leg
from make_mechanics import IDEAL_TORQUE, MS, Mechanics, ideal

from legtest.simulation.plant import plant_of
from legtest.simulation.tolerances import Parts
from legtest.simulation.torques import Ripple, torque_of


def _mechanics(**changes: Any) -> Mechanics:
    """An ideal planar leg but for the hip's motor; 0.3 N*m of friction in it."""
    plant = ideal(plant_of(make_leg(planar=True), make_bench(), 1))
    hip = replace(plant.axes[0], friction_Nm=0.3, friction_ripple=0.0, torque=replace(IDEAL_TORQUE, **changes))
    return Mechanics(replace(plant, axes=(hip, *plant.axes[1:])))


@given(st.floats(-18, 18), st.floats(0.0, 0.45), st.floats(-0.1, 0.1))
def test_what_is_read_is_the_inverse_of_what_is_given(read: float, saturation: float, offset: float) -> None:
    torque = replace(IDEAL_TORQUE, saturation=saturation, sense_offset_Nm=offset)
    assert torque.read_Nm(torque.given_Nm(read)) == pytest.approx(read, abs=1e-6)


def test_torque_is_missing_as_stated() -> None:
    torque = replace(IDEAL_TORQUE, saturation=0.3)
    assert torque.given_Nm(18.0) == pytest.approx(18.0 * 0.7)
    assert torque.given_Nm(-6.0) == pytest.approx(-6.0 * 0.9)


def test_an_unpowered_drive_reads_its_offset() -> None:
    rig = _mechanics(sense_offset_Nm=0.05)
    readings = [rig.axes[0].read(rig.now_ns + k * MS).torque_Nm for k in range(200)]
    assert sum(readings) / 200 == pytest.approx(0.05, abs=4 * 0.012 / math.sqrt(200))


def _lets_go(rig: Mechanics, sign: int) -> float:
    """The torque at which the clamped-off hip's motor begins to turn, by steps of 5 mN*m."""
    rig.physics.pose([0.3, -0.6])
    for joint in rig.plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.power()
    rig.axes[0].push(rig.now_ns, 0.0)
    rig.wait(200 * MS)
    start = rig.rotor(0)
    for step in range(200):
        rig.axes[0].push(rig.now_ns, sign * 0.005 * step)
        rig.wait(20 * MS)
        if abs(rig.rotor(0) - start) > 5e-5:  # the transmission winds up by so much before it is seen
            return 0.005 * step - 5e-5 * rig.plant.axes[0].transmission_Nm_per_rad
    raise AssertionError("it never let go")


@pytest.mark.parametrize(
    ("changes", "up", "down"),
    [({}, 0.3, 0.3), ({"stiction": 0.5}, 0.45, 0.45), ({"asymmetry": 0.2}, 0.36, 0.24)],
)
def test_friction_at_rest(changes: dict[str, float], up: float, down: float) -> None:
    assert _lets_go(_mechanics(**changes), 1) == pytest.approx(up, abs=0.03)
    assert _lets_go(_mechanics(**changes), -1) == pytest.approx(down, abs=0.03)


def test_ripple_acts_over_the_angle_and_friction_grows_with_load() -> None:
    rig = _mechanics(ripple=(Ripple(9, 0.2, 0.1),), load_friction=0.05)
    rotor = rig.physics.rotor_index[0]
    for joint in rig.plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.power()
    rig.axes[0].push(0, 4.0)
    rig.wait(500 * MS)
    assert rig.physics.data.qfrc_applied[rotor] == pytest.approx(0.2 * math.sin(9 * rig.rotor(0) + 0.1), abs=0.01)
    assert rig.physics.model.dof_frictionloss[rotor] == pytest.approx(0.3 + 0.05 * 4.0, rel=0.03)


def test_sound_motors_differ_and_repeat() -> None:
    one, again, other = (torque_of("hip", 6.0, Parts(seed)) for seed in (1, 1, 2))
    assert one == again != other
    assert one.friction_factor(0.0) == pytest.approx(1 + one.stiction)
    assert one.friction_factor(10 * one.stribeck_rad_s) == pytest.approx(1.0)
