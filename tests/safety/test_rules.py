"""The position envelope: whatever it lets pass can still be stopped inside; braking is played by code of this file."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_leg import make_setup
from hypothesis import assume, given
from hypothesis import strategies as st

from legtest.canbus.wiremap import Reaction
from legtest.safety.rules import CONTACT_MARGIN_RAD, RESTING_RAD_S, hidden_rad, rules_of

SETUP = make_setup()
RULES = rules_of(SETUP)
JOINT = RULES.joints[0]
STRONG = JOINT.contact_torque_Nm * 2
GENTLE = JOINT.contact_torque_Nm
angles = st.floats(JOINT.travel_low_rad - 0.5, JOINT.travel_high_rad + 0.5)
speeds = st.floats(-20.0, 20.0)


def rest_after_braking(angle: float, speed: float) -> float:
    """Where a joint comes to rest: latency at full speed, then constant deceleration, in small steps."""
    angle += speed * RULES.latency_s
    step = 1e-4
    sense = 1.0 if speed > 0 else -1.0
    speed = abs(speed)
    while speed > 0:
        after = max(speed - RULES.deceleration * step, 0.0)
        angle += sense * (speed + after) / 2 * step
        speed = after
    return angle


@given(angles, speeds)
def test_a_leg_that_is_let_through_comes_to_rest_inside_its_limits(angle: float, speed: float) -> None:
    assume(JOINT.low_rad <= angle <= JOINT.high_rad and abs(speed) > RESTING_RAD_S)
    assume(not RULES.outside(0, STRONG, angle, speed))
    assert JOINT.low_rad - 1e-3 <= rest_after_braking(angle, speed) <= JOINT.high_rad + 1e-3


@given(angles, speeds, st.floats(0.0, 18.0))
def test_whatever_is_let_through_never_ends_beyond_the_stops(angle: float, speed: float, cap: float) -> None:
    """A joint that rests between limit and stop may stay or come back; one that leaves its stops is stopped."""
    assume(not RULES.outside(0, cap, angle, speed))
    end = rest_after_braking(angle, speed)
    slack = CONTACT_MARGIN_RAD + RESTING_RAD_S * RULES.latency_s + 1e-3
    assert JOINT.travel_low_rad - slack <= end <= JOINT.travel_high_rad + slack


@given(angles, speeds)
def test_a_joint_that_would_stop_well_inside_is_left_alone(angle: float, speed: float) -> None:
    assume(JOINT.low_rad <= angle <= JOINT.high_rad)
    assume(JOINT.low_rad + 1e-3 < rest_after_braking(angle, speed) < JOINT.high_rad - 1e-3)
    assert RULES.outside(0, STRONG, angle, speed) == ""


@given(angles, st.floats(0.0, 20.0))
def test_both_ends_are_alike(offset: float, speed: float) -> None:
    """Mirrored limits, mirrored answer."""
    mirrored = replace(
        JOINT, low_rad=-JOINT.high_rad, high_rad=-JOINT.low_rad,
        travel_low_rad=-JOINT.travel_high_rad, travel_high_rad=-JOINT.travel_low_rad,
    )  # fmt: skip
    other = rules_of(replace(SETUP, joints=(mirrored, *SETUP.joints[1:])))
    for cap in (STRONG, GENTLE):
        here, there = RULES.outside(0, cap, offset, speed), other.outside(0, cap, -offset, -speed)
        assert bool(here) == bool(there)


def test_only_a_gentle_joint_may_touch_its_stop() -> None:
    angle = JOINT.travel_high_rad
    assert RULES.outside(0, STRONG, angle, 0.3)
    assert not RULES.outside(0, GENTLE, angle, 0.3)
    assert RULES.outside(0, GENTLE, angle, JOINT.contact_speed_rad_s * 2.1)
    assert RULES.outside(0, GENTLE, JOINT.travel_high_rad + CONTACT_MARGIN_RAD + 0.01, 0.0)


def test_the_answer_names_the_room_there_is() -> None:
    said = RULES.outside(0, STRONG, JOINT.high_rad + 0.01, 1.0)
    assert said == f"{JOINT.low_rad:+.4f}..{JOINT.high_rad:+.4f} rad"


@pytest.mark.parametrize(("period_ms", "least_ms"), [(4, 20), (6, 20), (10, 30), (16, 48)])
def test_a_stop_is_given_one_and_a_half_ramps_and_20_ms_or_three_periods(period_ms: int, least_ms: int) -> None:
    rules = rules_of(replace(SETUP, period_ns=period_ms * 1_000_000))
    assert rules.confirm_ns(Reaction.STOP_THEN_OFF, 3.0) == 15_000_000 + least_ms * 1_000_000, "a ramp of 10 ms"
    assert rules.confirm_ns(Reaction.LOWER_THEN_OFF, 0.0) == least_ms * 1_000_000
    assert rules.confirm_ns(Reaction.OFF_NOW, 3.0) == 3 * rules.period_ns


def test_slowed_rules_slow_every_joint_and_never_quicken_one() -> None:
    slow = RULES.slowed(1.25)
    assert [joint.speed_rad_s for joint in slow.joints] == [1.25] * 3
    assert [joint.speed_rad_s for joint in slow.slowed(2.0).joints] == [1.25] * 3
    assert RULES.slowed(99.0) == RULES
    assert replace(slow, joints=RULES.joints) == RULES, "and change nothing else"


def test_what_two_velocities_can_hide() -> None:
    """Played: 100 rad/s^2 up and down again between two readings of the same velocity is 100 t^2 / 4 away from it."""
    half, step, position, velocity = 0.01, 1e-6, 0.0, 0.0
    for k in range(20_000):
        rate = 100.0 if k * step < half else -100.0
        position += velocity * step + rate * step**2 / 2
        velocity += rate * step
    assert velocity == pytest.approx(0.0, abs=1e-6)
    assert hidden_rad(0.02) - hidden_rad(0.0) == pytest.approx(position, rel=1e-3)
    assert hidden_rad(0.0) == 0.004


def test_every_identifier_that_only_we_may_send_is_known() -> None:
    """SYNC, NMT, our heartbeat, and of each node: SDO requests, controlword (RPDO1), set-points (RPDO2); by CiA 301."""
    expected = {0x080, 0x000, 0x77F}
    for node in (1, 2, 3):
        expected |= {0x600 + node, 0x200 + node, 0x300 + node}
    assert RULES.ours == expected


def test_every_frame_of_a_drive_is_known() -> None:
    assert set(RULES.feedback) == {base + node for base in (0x180, 0x280, 0x380) for node in (1, 2, 3)}
    assert RULES.heartbeats == {0x700 + node: node - 1 for node in (1, 2, 3)}
    assert RULES.emergencies == {0x080 + node: node - 1 for node in (1, 2, 3)}
