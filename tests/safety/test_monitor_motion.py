"""Rules that hold motion, torque and telemetry against each other: each just below, at and above its limit.

Expected times and sizes are worked out here from the limits as they are stated, not read from the rules.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from watch import (
    ALL,
    ENABLED,
    LOWER,
    OFF,
    OFF_NOW,
    REST,
    RULES,
    SETUP,
    STOP,
    T,
    Watch,
    feedback,
    only,
    supply,
    temperature,
)  # fmt: skip

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Point
from legtest.safety.monitor import Reason
from legtest.safety.permit import Grant

TRIAL = Grant("trial", (1,), SETUP.trial_torque_Nm, 10**15)
CAP = 9.0


def asked(watch: Watch, joint: int, position: float, cap: float = CAP) -> None:
    """The demand of one axis; the others are where they are."""
    points = [Point(p, 0.0, CAP) for p in watch.positions]
    points[joint] = Point(position, 0.0, cap)
    watch.demand(*points)


# ---------------------------------------------------------------------- power


def driven(power_W: float, samples: int, share: float = 1.0) -> tuple[Reason, ...]:
    """One axis at 2 rad/s, and its torque so that the power is this; the first sample is taken at rest."""
    watch = Watch(rules=replace(RULES, power_W=12.0))
    reasons: tuple[Reason, ...] = ()
    for _ in range(samples):
        watch.positions[0] += 2.0 * T * 1e-9
        watch.torque[0] = -share * power_W / 2.0
        asked(watch, 0, watch.positions[0])
        reasons = watch.pass_()
    return reasons


def test_power_three_samples_above() -> None:
    """12 W allowed; a count of position is 0.2 % of the speed, per mille of rated torque are 0.012 W at 2 rad/s."""
    assert driven(11.8, 20) == ()
    assert driven(12.3, 2) == ()
    (reason,) = driven(12.3, 3)
    assert (reason.rule, reason.subject, reason.value, reason.limit, reason.reaction) == (
        "power", "leg", "12 W", "12 W", STOP,
    )  # fmt: skip


def test_power_is_of_all_axes_together_whatever_their_sign() -> None:
    watch = Watch(rules=replace(RULES, power_W=12.0))
    for _ in range(3):
        for i, sense in enumerate((1, -1, -1)):
            watch.positions[i] += sense * 2.0 * T * 1e-9
            watch.torque[i] = (2.1, 2.1, 2.1)[i]
        watch.demand(*(Point(p, 0.0, CAP) for p in watch.positions))
        reasons = watch.pass_()
    assert only(reasons) == ("power", "leg", STOP)


def test_two_samples_of_power_are_forgiven() -> None:
    watch = Watch(rules=replace(RULES, power_W=12.0))
    for k in range(30):
        watch.positions[0] += 2.0 * T * 1e-9
        watch.torque[0] = 0.0 if k % 3 == 2 else 8.0
        asked(watch, 0, watch.positions[0])
        assert watch.pass_() == ()


# ---------------------------------------------------------------------- temperature rate


def warmed(rate_K_s: float, seconds: float) -> tuple[float, tuple[Reason, ...]]:
    watch = Watch()
    for k in range(round(seconds / 0.1)):
        watch.passes(24)
        if reasons := watch.pass_(temperature(1, 30.0 + rate_K_s * k * 0.1)):
            return k * 0.1, reasons
    return seconds, ()


def test_temperature_rate() -> None:
    """More than 6 K/s over half a second; a frame comes every tenth of a second."""
    assert warmed(5.8, 6.0)[1] == ()
    after_s, reasons = warmed(6.6, 6.0)
    assert only(reasons) == ("temperature rate", "hip", LOWER)
    assert after_s == pytest.approx(0.5, abs=0.01), "not before half a second, and at once then"
    assert (reasons[0].value, reasons[0].limit) == ("6.6 K/s", "6 K/s")


def test_a_jump_of_a_reading_is_no_rate_when_it_comes_back_within_half_a_second() -> None:
    watch = Watch()
    for k in range(100):
        hot = 12.0 if k % 5 in (1, 2) else 0.0
        assert watch.pass_(temperature(0, 30.0 + hot)) == () or k > 124
        assert watch.passes(24) == ()


def test_cooling_is_no_reason() -> None:
    assert warmed(-30.0, 1.5)[1] == ()


# ---------------------------------------------------------------------- stuck telemetry


def stuck(demand_rad: float, samples: int, torque: float = 1.0, cap: float = CAP) -> tuple[Reason, ...]:
    """Bit for bit the same answer from now on, and a demand that goes this far at once."""
    watch = Watch()
    watch.torque[0] = torque
    asked(watch, 0, REST[0], cap)
    assert watch.pass_() == ()
    asked(watch, 0, REST[0] + demand_rad, cap)
    return watch.passes(samples - 1)


@pytest.mark.parametrize("sense", [1, -1])
def test_stuck_telemetry_four_answers_and_a_demand_that_went(sense: int) -> None:
    """At least 4 answers the same, while the demand went more than 0.02 rad."""
    assert stuck(sense * 0.021, 3) == ()
    reasons = stuck(sense * 0.021, 4)
    assert only(reasons) == ("stuck telemetry", "abduction", OFF_NOW)
    assert reasons[0].value == "4 answers the same while the demand went 0.021 rad"
    assert stuck(sense * 0.019, 60) == ()


def test_an_answer_that_changes_by_one_bit_is_not_stuck() -> None:
    watch = Watch()
    for k in range(60):
        asked(watch, 0, REST[0] + k * 0.001)
        watch.torque[0] = 0.006 * (k % 2)
        assert watch.pass_() == ()


def test_a_joint_that_presses_with_all_its_torque_may_stand_still() -> None:
    """95 % of the cap: torque and position have no reason to change there. (Below the gentle cap: homing.)"""
    cap = 2.0
    assert stuck(0.1, 60, torque=0.96 * cap, cap=cap) == ()
    assert {r.rule for r in stuck(0.1, 60, torque=0.94 * cap, cap=cap)} == {"stuck telemetry"}


def test_at_rest_nothing_is_stuck() -> None:
    watch = Watch()
    assert watch.passes(500) == ()


def test_a_demand_that_comes_before_the_first_sample_counts_from_it() -> None:
    """The distance is that since the answer changed last, not since the leg was energised."""
    watch = Watch()
    for k in range(40):
        watch.torque[0] = 0.01 * k
        asked(watch, 0, REST[0] + 0.004 * k)
        assert watch.pass_() == ()
    asked(watch, 0, REST[0] + 0.004 * 39 + 0.019)
    assert watch.passes(10) == ()


# ---------------------------------------------------------------------- encoder slip


class Turning:
    """The hip turns at a speed; its velocity frame comes every fifth cycle with the drive's own word for it."""

    def __init__(self, speed: float = 1.0, period_factor: int = 1) -> None:
        self.watch, self.speed, self.k, self.factor = Watch(), speed, 0, period_factor
        self.cycles(20)

    def cycles(self, count: int, said: float | None = None) -> tuple[Reason, ...]:
        for _ in range(count):
            self.k += 1
            self.watch.positions[1] += self.speed * T * 1e-9
            asked(self.watch, 1, self.watch.positions[1])
            frames = [supply(1, 48.0, self.speed if said is None else said)] if self.k % 5 == 0 else []
            if reasons := self.watch.pass_(*frames):
                return reasons
        return ()


@pytest.mark.parametrize("sense", [1, -1])
def test_a_slip_below_the_jump_is_found_within_two_velocity_frames(sense: int) -> None:
    turning = Turning()
    turning.watch.positions[1] += sense * 0.05
    assert turning.cycles(5) == (), "one frame is not enough"
    reasons = turning.cycles(5)
    assert only(reasons) == ("encoder slip", "hip", OFF_NOW)
    # 0.05 rad less what 20 ms can hide (100 * 0.02^2 / 4 + 0.004), then 80 % of it
    assert float(reasons[0].value.split()[0]) == pytest.approx(sense * 0.8 * (0.05 - 0.014), abs=0.0006)


@pytest.mark.parametrize(("step", "found"), [(0.0380, False), (0.0400, True)])
def test_the_least_slip_that_is_found(step: float, found: bool) -> None:
    """0.8 * (step - 0.014) must be above 0.02: 0.039 rad."""
    turning = Turning(speed=0.5)
    turning.watch.positions[1] += step
    assert bool(turning.cycles(60)) == found


@pytest.mark.parametrize(("rate", "found"), [(0.85, False), (1.1, True)])
def test_a_creeping_slip(rate: float, found: bool) -> None:
    """A residual r settles at 5 (rate * 0.02 s - 0.014 rad); it is one from 0.02 rad on: 0.9 rad/s."""
    assert bool(Turning().cycles(200, said=1.0 - rate)) == found


def test_what_the_drive_says_rightly_is_no_slip() -> None:
    """Sine at 4 Hz, 100 rad/s^2 and more than 3 rad/s at most, velocities as they are."""
    watch, w = Watch(), 2 * math.pi * 4
    for k in range(500):
        t = k * T * 1e-9
        watch.positions[1] = 0.1 * math.sin(w * t)
        asked(watch, 1, watch.positions[1])
        frames = [supply(1, 48.0, 0.1 * w * math.cos(w * t))] if k % 5 == 0 else []
        assert watch.pass_(*frames) == ()


def test_a_velocity_without_its_position_is_not_compared() -> None:
    turning = Turning()
    for _ in range(30):
        turning.k += 1
        turning.watch.positions[1] += turning.speed * T * 1e-9
        asked(turning.watch, 1, turning.watch.positions[1])
        lost = turning.k % 5 == 0
        frames = [supply(1, 48.0, -5.0)] if lost else []
        assert turning.watch.pass_(*frames, silent=[1] if lost else []) == ()


def test_two_doubts_in_a_row_are_needed() -> None:
    """A single residual above the limit that is gone at the next frame: 0.0345 - 0.014 is just above 0.02."""
    turning = Turning()
    turning.watch.positions[1] += 0.0355
    assert turning.cycles(100) == ()


# ---------------------------------------------------------------------- torque without motion


def pushed(
    torque: float, rate: float, moves: float = 0.0, seconds: float = 1.0, cap: float = CAP
) -> tuple[float, tuple[Reason, ...]]:
    """A demand that runs at a rate while the joint moves by `moves` of it; torque noise keeps the answers alive."""
    watch = Watch()
    for k in range(round(seconds / (T * 1e-9))):
        t = k * T * 1e-9
        watch.positions[0] = REST[0] + moves * rate * t
        asked(watch, 0, REST[0] + rate * t, cap)
        watch.torque[0] = torque + 0.006 * (k % 2)
        if reasons := watch.pass_():
            return t, reasons
    return seconds, ()


@pytest.mark.parametrize("sense", [1, -1])
def test_torque_without_motion(sense: int) -> None:
    """More than 0.6 of the cap of 9 N*m, the demand goes 0.1 rad, the joint stands: a jam, or a lost encoder."""
    after_s, reasons = pushed(sense * 5.5, sense * 0.6)
    assert only(reasons) == ("torque without motion", "abduction", STOP)
    assert after_s == pytest.approx(0.1 / 0.6, abs=2 * T * 1e-9)
    assert reasons[0].value == f"{sense * 5.5:.2f} N*m while the demand went 0.101 rad"


def test_less_torque_is_what_friction_and_gravity_need() -> None:
    assert {r.rule for r in pushed(5.3, 0.6)[1]} == {"following error"}, "0.2 rad, later"


def test_a_demand_that_creeps_is_not_judged() -> None:
    """Less than 0.1 rad in 0.25 s: 0.4 rad/s."""
    assert pushed(5.5, 0.38, seconds=0.5)[1] == ()
    assert {r.rule for r in pushed(5.5, 0.42, seconds=0.5)[1]} == {"torque without motion"}


def test_a_joint_that_moves_after_all_begins_anew() -> None:
    """0.02 rad in the time is motion: a fifth of the demand."""
    assert {r.rule for r in pushed(5.5, 1.0, moves=0.25, seconds=0.2)[1]} == set()
    assert {r.rule for r in pushed(5.5, 1.0, moves=0.15, seconds=0.2)[1]} == {"torque without motion"}


def test_a_gentle_push_is_how_a_contact_is_found() -> None:
    gentle = SETUP.joints[0].contact_torque_Nm
    assert {r.rule for r in pushed(0.98 * gentle, 0.6, cap=gentle)[1]} == {"following error"}
    assert {r.rule for r in pushed(0.98 * gentle, 0.6, cap=1.02 * gentle)[1]} == {"torque without motion"}


# ---------------------------------------------------------------------- following error in a trial


def trial(**state: object) -> Watch:
    watch = Watch(grant=TRIAL)
    watch.state = watch.state._replace(**state)
    return watch


@pytest.mark.parametrize("sense", [1, -1])
def test_in_a_trial_a_following_error_takes_the_power_away(sense: int) -> None:
    watch = trial()
    asked(watch, 1, REST[1] + sense * 0.199)
    assert watch.pass_() == ()
    asked(watch, 1, REST[1] + sense * 0.201)
    assert only(watch.pass_()) == ("following error", "hip", OFF_NOW)


def away(error: float, speed: float, grant: Grant = TRIAL) -> tuple[Reason, ...]:
    watch = Watch(grant=grant)
    watch.pass_()
    watch.positions[1] += speed * T * 1e-9
    asked(watch, 1, watch.positions[1] + error)
    return watch.pass_()


@pytest.mark.parametrize("sense", [1, -1])
def test_in_a_trial_a_joint_that_leaves_its_demand_is_off_at_once(sense: int) -> None:
    """More than 0.003 rad from its demand and faster than 0.1 rad/s away from it."""
    (reason,) = away(sense * 0.0035, -sense * 0.3)
    assert (reason.rule, reason.subject, reason.reaction) == ("following error", "hip", OFF_NOW)
    assert "going away at" in reason.value
    assert away(sense * 0.0025, -sense * 0.3) == ()
    assert away(sense * 0.006, -sense * 0.07) == ()
    assert away(sense * 0.006, sense * 0.3) == (), "it comes"
    assert away(sense * 0.006, -sense * 0.3, ALL) == (), "in a motion overshoot is no mistake"


def test_in_a_trial_a_demand_that_comes_back_takes_the_joint_with_it() -> None:
    """0.02 rad ahead of a joint that pressed on a stop, and coming back faster than the joint goes: no mistake."""
    watch = Watch(grant=TRIAL)
    ahead = 0.02
    asked(watch, 1, watch.positions[1] + ahead)
    assert watch.pass_() == ()
    for _ in range(8):
        ahead -= 0.0015
        watch.positions[1] -= 0.3 * T * 1e-9
        asked(watch, 1, watch.positions[1] + ahead)
        assert watch.pass_() == ()
    ahead += 0.0005
    watch.positions[1] -= 0.3 * T * 1e-9
    asked(watch, 1, watch.positions[1] + ahead)
    assert only(watch.pass_()) == ("following error", "hip", OFF_NOW)


# ---------------------------------------------------------------------- supply, permit alive or not


def test_without_a_permit_nobody_minds_the_supply() -> None:
    watch = Watch(grant=None)
    watch.status = [OFF & ~0x10] * 3
    assert watch.pass_(supply(0, 5.0)) == ()


def test_a_supply_that_goes_between_two_tests_is_a_reason_while_a_permit_is_alive() -> None:
    """An emergency stop that cuts the motor supply and leaves the logic alive (hazard: power comes back unasked)."""
    watch = Watch(grant=None)
    watch.status = [OFF] * 3
    watch.state = watch.state._replace(keyed=True)
    assert watch.pass_(supply(2, 18.1)) == ()
    assert only(watch.pass_(supply(2, 17.9))) == ("supply", "knee", STOP)


@pytest.mark.parametrize("grant", [ALL, None])
def test_the_voltage_bit(grant: Grant | None) -> None:
    """Bit 4 of the statusword (CiA 402: voltage enabled)."""
    watch = Watch(grant=grant)
    watch.state = watch.state._replace(keyed=True)
    word = ENABLED if grant else OFF
    watch.status = [word] * 3
    assert watch.pass_() == ()
    watch.status[1] = word & ~0x10
    (reason,) = watch.pass_()
    assert (reason.rule, reason.subject, reason.reaction) == ("supply", "hip", STOP)
    assert f"0x{word & ~0x10:04X}: no voltage" in reason.value


def test_a_drive_whose_word_does_not_tell_is_not_asked() -> None:
    watch = Watch(rules=replace(RULES, voltage=(None, None, None)))
    watch.status = [ENABLED & ~0x10] * 3
    assert watch.pass_() == ()


# ---------------------------------------------------------------------- late, doubled and lost answers


SYNC = Frame(0, 0x080, b"", SENT)


def test_a_late_answer_before_a_lost_one_is_no_overspeed() -> None:
    """At 2.8 of 2.86 rad/s an answer comes after its own cycle, and the next one is lost: speed is read right."""
    watch = Watch()
    speed, held = 2.8, []
    for k in range(60):
        watch.positions[0] += speed * T * 1e-9
        asked(watch, 0, watch.positions[0])
        answer = feedback(0, watch.positions[0])
        before, after = [*held], [answer]
        held = []
        if k % 10 == 5:
            held, after = [answer], []
        if k % 10 == 6:
            after = []
        others = [feedback(i, watch.positions[i]) for i in (1, 2)]
        watch.now += T
        watch.state, _, reasons = watch_step(watch, [*before, SYNC, *others, *after])
        assert reasons == (), [str(reason) for reason in reasons]
        if k > 3:
            assert watch.state.axes[0].velocity == pytest.approx(speed, abs=0.05)


def watch_step(watch: Watch, frames: list[Frame]) -> tuple:  # type: ignore[type-arg]
    from legtest.safety.monitor import step

    return step(watch.now, frames, watch.state, RULES)


def test_a_late_answer_is_dated_by_the_sync_it_follows() -> None:
    watch = Watch(grant=None)
    answer = feedback(0, REST[0])
    watch.now += T
    state, _, _ = watch_step(watch, [answer, SYNC])
    assert state.axes[0].sampled == state.cycle - 1 == watch.state.axes[0].sampled, "said already"
    state, _, _ = watch_step(watch, [SYNC, answer])
    assert state.axes[0].sampled == state.cycle
    state, _, _ = watch_step(watch, [answer])
    assert state.axes[0].sampled == state.cycle, "no SYNC was heard at all"
    state, _, _ = watch_step(watch, [SYNC, SYNC, answer])
    assert state.axes[0].sampled == state.cycle


def test_a_doubled_answer_counts_once() -> None:
    watch = Watch()
    watch.torque[1] = 12.0
    doubled = feedback(1, watch.positions[1], 12.0)
    assert watch.pass_(doubled, doubled) == watch.pass_(doubled) == ()
    assert watch.state.axes[1].over == 2
    assert {r.rule for r in watch.pass_(doubled)} == {"torque"}


def test_a_lost_set_point_that_is_caught_up_with_is_no_overspeed() -> None:
    """Nothing for a period, twice the way in the next: the middle one of three velocities is what was asked."""
    watch = Watch()
    speed = 2.8 * T * 1e-9
    for k in range(60):
        watch.positions[0] += {5: 0.0, 6: 2 * speed}.get(k % 10, speed)
        asked(watch, 0, watch.positions[0])
        assert watch.pass_() == ()


@given(st.lists(st.integers(1, 3), min_size=4, max_size=12))
def test_gaps_do_not_change_the_speed_that_is_read(gaps: list[int]) -> None:
    watch = Watch(grant=None)
    for gap in gaps:
        for k in range(gap):
            watch.positions[1] += 2.0 * T * 1e-9
            watch.pass_(silent=[1] if k < gap - 1 else [])
    axis = watch.state.axes[1]
    assert axis.velocity == pytest.approx(2.0, abs=0.03)
    assert axis.steady == pytest.approx(2.0, abs=0.03)


# ---------------------------------------------------------------------- while a zero is set


def test_while_home_is_set_a_new_zero_is_neither_a_jump_nor_speed_nor_slip() -> None:
    watch = Watch()
    watch.state = watch.state._replace(homing=True)
    watch.demand(*(Point(p, 0.0, 0.0) for p in REST))
    for k in range(12):
        frames = [supply(2, 48.0)] if k % 3 == 0 else []
        watch.positions = [0.5 + 0.05 * (k % 2), -0.7, REST[2] if k < 6 else 1.2]
        assert watch.pass_(*frames) == ()
        assert {axis.velocity for axis in watch.state.axes} == {0.0}
    watch.state = watch.state._replace(homing=False)
    watch.demand(*(Point(p, 0.0, 0.0) for p in watch.positions))
    assert watch.pass_() == ()


def test_while_home_is_set_there_may_be_no_torque() -> None:
    """2 % of 18 N*m are noise."""
    watch = Watch()
    watch.state = watch.state._replace(homing=True)
    watch.demand(*(Point(p, 0.0, 0.0) for p in REST))
    watch.torque[1] = 0.35
    assert watch.passes(10) == ()
    watch.torque[1] = 0.38
    assert watch.passes(2) == ()
    assert only(watch.pass_()) == ("torque", "hip", STOP)
