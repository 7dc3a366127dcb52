"""The motion monitor as a pure step: rules, reactions, escalation, latch, and no false trip."""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from watch import (
    ALL,
    COUNTS,
    ENABLED,
    FAULT,
    FAULT_REACTION,
    LOWER,
    OFF,
    OFF_NOW,
    QUICK_STOP,
    REST,
    RULES,
    SETUP,
    STOP,
    SWITCHED_ON,
    T,
    Watch,
    feedback,
    only,
    supply,
    temperature,
)  # fmt: skip

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.safety.monitor import MonitorState, Reason, step
from legtest.safety.permit import Grant
from legtest.safety.rules import rules_of


def test_a_healthy_leg_is_left_alone() -> None:
    watch = Watch()
    assert watch.passes(200, supply(1, 48.0), temperature(2, 30.0)) == ()
    assert watch.sent == ()
    assert watch.state.reaction is None


# ---------------------------------------------------------------------- rules


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("data", [b"", b"\0", bytes(7)])
def test_decode(axis: int, data: bytes) -> None:
    watch = Watch()
    reasons = watch.pass_(Frame(0, 0x181 + axis, data))
    assert only(reasons) == ("decode", RULES.names[axis], STOP)
    assert f"frame 0x{0x181 + axis:X} has {len(data)} bytes, its map says 8" in reasons[0].value


@pytest.mark.parametrize("can_id", [0x000, 0x080, 0x77F, 0x201, 0x303, 0x602])
def test_foreign_master(can_id: int) -> None:
    watch = Watch()
    assert only(watch.pass_(Frame(0, can_id, b"\x00\x00"))) == ("foreign master", f"0x{can_id:X}", STOP)


@pytest.mark.parametrize("can_id", [0x000, 0x080, 0x77F, 0x201, 0x303, 0x602])
def test_our_own_frames_are_no_foreign_master(can_id: int) -> None:
    assert Watch().pass_(Frame(0, can_id, b"\x00\x00", SENT)) == ()


def test_boot_up_and_heartbeat() -> None:
    """0x700 + node: 0 = boot-up, 5 = operational (CiA 301)."""
    watch = Watch()
    assert watch.pass_(Frame(0, 0x702, b"\x05")) == ()
    assert only(watch.pass_(Frame(0, 0x702, b"\x00"))) == ("boot-up", "hip", STOP)


def test_emergency() -> None:
    watch = Watch()
    assert watch.pass_(Frame(0, 0x083, bytes(8))) == ()  # 0x0000: error reset
    reasons = watch.pass_(Frame(0, 0x083, struct.pack("<HB5x", 0x8611, 0x21)))
    assert only(reasons) == ("emergency", "knee", STOP)
    assert reasons[0].value == "code 0x8611"


def test_an_emergency_that_is_being_provoked_is_no_reason() -> None:
    watch = Watch()
    watch.state = watch.state._replace(proving=(2,))
    assert watch.pass_(Frame(0, 0x083, struct.pack("<HB5x", 0x8130, 0x11))) == ()
    assert only(watch.pass_(Frame(0, 0x082, struct.pack("<HB5x", 0x8130, 0x11))))[:2] == ("emergency", "hip")


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_telemetry_age(axis: int) -> None:
    """Three cycles may be lost, the fourth stops (hazard 25)."""
    watch = Watch()
    assert watch.passes(3, silent=[axis]) == ()
    assert watch.pass_() == ()
    assert watch.passes(3, silent=[axis]) == ()
    reasons = watch.pass_(silent=[axis])
    assert only(reasons) == ("telemetry age", RULES.names[axis], STOP)


def test_drive_fault() -> None:
    watch = Watch()
    watch.status[1] = FAULT
    assert only(watch.pass_()) == ("drive fault", "hip", STOP)


@pytest.mark.parametrize("status", [OFF, SWITCHED_ON, QUICK_STOP])
def test_drive_state(status: int) -> None:
    watch = Watch()
    watch.status[2] = status
    assert only(watch.pass_()) == ("drive state", "knee", STOP)


def test_while_enabling_a_drive_need_not_be_enabled_yet() -> None:
    watch = Watch()
    watch.state = watch.state._replace(enabled=False)
    watch.status = [SWITCHED_ON] * 3
    assert watch.pass_() == ()


@pytest.mark.parametrize("sense", [1, -1])
def test_torque_three_samples_above_the_cap(sense: int) -> None:
    """More than 1.1 caps and 2 % of the largest torque: the cap 9 N*m is over at 10.3 N*m."""
    watch = Watch()
    watch.torque[1] = sense * 10.2
    assert watch.passes(20) == ()
    watch.torque[1] = sense * 10.4
    assert watch.passes(2) == ()
    reasons = watch.pass_()
    assert only(reasons) == ("torque", "hip", STOP)
    assert (reasons[0].value, reasons[0].limit) == (f"{sense * 10.4:.2f} N*m", "9.00 N*m")


def test_torque_two_samples_are_forgiven() -> None:
    watch = Watch()
    for _ in range(10):
        watch.torque[1] = 12.0
        assert watch.passes(2) == ()
        watch.torque[1] = 0.0
        assert watch.pass_() == ()


@pytest.mark.parametrize("sense", [1, -1])
def test_following_error(sense: int) -> None:
    watch = Watch()
    points = [Point(p, 0.0, 9.0) for p in REST]
    watch.demand(points[0], points[1]._replace(position_rad=sense * 0.19), points[2])
    assert watch.pass_() == ()
    watch.demand(points[0], points[1]._replace(position_rad=sense * 0.21), points[2])
    assert only(watch.pass_()) == ("following error", "hip", STOP)


@pytest.mark.parametrize(("volts", "reaction"), [(17.9, STOP), (60.1, OFF_NOW)])
def test_supply(volts: float, reaction: Reaction) -> None:
    """Over-voltage: coasting feeds nothing back, so off at once (hazard 12)."""
    watch = Watch()
    assert watch.pass_(supply(0, 18.1)) == watch.pass_(supply(0, 59.9)) == ()
    assert only(watch.pass_(supply(0, volts))) == ("supply", "abduction", reaction)


@pytest.mark.parametrize("celsius", [-20.2, 90.2])
def test_temperature(celsius: float) -> None:
    watch = Watch()
    assert watch.pass_(temperature(1, 89.8)) == ()
    assert only(watch.pass_(temperature(1, celsius))) == ("temperature", "hip", LOWER)


def test_position_jump() -> None:
    """An encoder that slips is not trusted: no braking on its word, off at once (hazard 7)."""
    watch = Watch()
    watch.positions[2] += 0.07
    rules = {reason.rule: reason.reaction for reason in watch.pass_()}
    assert rules["position jump"] == OFF_NOW
    assert watch.state.reaction == OFF_NOW


@pytest.mark.parametrize("joint", [0, 1, 2])
@pytest.mark.parametrize("sense", [1, -1])
def test_speed_is_of_the_joint(joint: int, sense: int) -> None:
    """tarn-fl's belt couples hip and knee motor; one joint alone is moved, and only it is named."""
    limit = SETUP.joints[joint].speed_rad_s

    def drive(speed: float) -> tuple[Reason, ...]:
        watch = Watch()
        for _ in range(8):
            for i, line in enumerate(SETUP.actuator_of_joint):
                watch.positions[i] += line[joint] * sense * speed * T * 1e-9
            watch.demand(*(Point(p, 0.0, 9.0) for p in watch.positions))
            if reasons := watch.pass_():
                return reasons
        return ()

    assert drive(1.1 * limit) == ()
    assert only(drive(1.25 * limit)) == ("speed", RULES.names[joint], STOP)


def moved_to(joint: int, angle: float, homed: bool, cap: float = 9.0) -> tuple[Reason, ...]:
    joints = [sum(c * r for c, r in zip(row, REST, strict=True)) for row in SETUP.joint_of_actuator]
    joints[joint] = angle
    actuators = [sum(c * q for c, q in zip(row, joints, strict=True)) for row in SETUP.actuator_of_joint]
    watch = Watch(homed=homed, positions=actuators)
    watch.demand(*(Point(p, 0.0, cap) for p in watch.positions))
    return watch.pass_()


@pytest.mark.parametrize("joint", [0, 1, 2])
def test_position_of_the_joint(joint: int) -> None:
    """Beyond its end stop by the drawing; before homing the angle means nothing and is not judged."""
    limits = SETUP.joints[joint]
    for angle in (limits.travel_high_rad + 0.11, limits.travel_low_rad - 0.11):
        assert only(moved_to(joint, angle, homed=True)) == ("position", RULES.names[joint], STOP)
        assert moved_to(joint, angle, homed=False) == ()
    assert moved_to(joint, limits.high_rad - 0.001, homed=True) == ()


def test_deadline() -> None:
    """A host that was away for more than four periods must not go on (hazards 16 to 18)."""
    watch = Watch()
    assert watch.pass_(span_ns=4 * T) == ()
    assert ("deadline", "host", STOP) in [only([reason]) for reason in watch.pass_(span_ns=4 * T + 1)]


@pytest.mark.parametrize("kind", ["motion", "trial"])
def test_permit(kind: str) -> None:
    watch = Watch()
    grant = Grant(kind, (1,), SETUP.torque_Nm, watch.now + 2 * T)  # type: ignore[arg-type]
    watch.state = watch.state._replace(grant=grant)
    assert watch.pass_() == ()
    assert only(watch.pass_()) == ("permit", kind, LOWER)


def test_without_power_only_the_bus_is_watched() -> None:
    watch = Watch(grant=None)
    watch.status = [OFF] * 3
    watch.positions[0] += 1.0
    assert watch.pass_(silent=[1, 2], span_ns=100 * T) == ()
    assert only(watch.pass_(Frame(0, 0x080, b""))) == ("foreign master", "0x80", STOP)


# ---------------------------------------------------------------------- reactions


def controls(frames: Sequence[Frame]) -> dict[int, int]:
    return {f.can_id - 0x200: int.from_bytes(f.data, "little") for f in frames if 0x201 <= f.can_id <= 0x203}


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_one_axis_stops_all(axis: int) -> None:
    watch = Watch()
    watch.status[axis] = FAULT_REACTION
    watch.pass_()
    assert controls(watch.sent) == {1: 0x0002, 2: 0x0002, 3: 0x0002}
    watch.status[axis] = FAULT  # its own power is off now
    watch.pass_()
    assert controls(watch.sent) == dict.fromkeys({1, 2, 3} - {axis + 1}, 0x0002)


def test_off_now_is_disable_voltage_for_all() -> None:
    watch = Watch()
    watch.pass_(supply(0, 70.0))
    assert controls(watch.sent) == {1: 0x0000, 2: 0x0000, 3: 0x0000}


def test_lowering_is_not_a_stop_frame() -> None:
    watch = Watch()
    watch.pass_(temperature(0, 95.0))
    assert (watch.state.reaction, watch.sent) == (LOWER, ())


def test_a_stop_is_repeated_until_each_axis_says_it_is_off() -> None:
    watch = Watch()
    watch.pass_(Frame(0, 0x701, b"\0"))
    for off in (1, 0):
        watch.pass_()
        watch.status[off] = OFF
        watch.pass_()
        assert off + 1 not in controls(watch.sent)
        assert 3 in controls(watch.sent)
    watch.status[2] = OFF
    watch.pass_()
    watch.pass_()
    assert watch.sent == ()
    assert watch.state.reaction == STOP


def test_an_axis_that_went_silent_is_not_taken_for_off() -> None:
    watch = Watch()
    watch.status = [OFF] * 3
    watch.pass_()
    watch.status = [ENABLED] * 3
    watch.passes(4, silent=[2])
    watch.status = [OFF] * 3
    watch.pass_(silent=[2])
    watch.pass_(silent=[2])
    assert set(controls(watch.sent)) == {3}


def test_an_unconfirmed_stop_is_escalated_to_off_then_to_nmt_stop_and_silence() -> None:
    """R1 to R0 after 1.5 ramps and 20 ms, R0 unconfirmed: NMT stop to all, and no heartbeat any more."""
    watch = Watch()
    watch.pass_(Frame(0, 0x701, b"\0"))
    seen: list[tuple[int, str]] = []
    for k in range(60):
        reasons = watch.pass_()
        words = set(controls(watch.sent).values())
        what = "nmt stop" if Frame(0, 0, b"\x02\x00") in watch.sent else str(sorted(words))
        if not seen or seen[-1][1] != what:
            seen.append((k, what))
        if reasons:
            assert {reason.rule for reason in reasons} == {"stop"}
        if watch.state.silent:
            break
    confirm = RULES.confirm_ns(STOP, 0.0)
    assert [what for _, what in seen] == ["[2]", "[0]", "nmt stop"]
    assert (seen[1][0] + 1) * T == pytest.approx(confirm, abs=T)
    assert (seen[2][0] - seen[1][0]) * T <= 4 * T
    assert watch.state.silent


def test_silence_lasts_and_the_nmt_stop_is_repeated() -> None:
    watch = Watch()
    watch.pass_(supply(0, 70.0))
    sent = []
    for _ in range(40):
        watch.pass_()
        sent += watch.sent
    assert watch.state.silent
    assert sent.count(Frame(0, 0, b"\x02\x00")) > 3


@pytest.mark.parametrize("first", [LOWER, STOP, OFF_NOW])
def test_a_reaction_never_becomes_milder(first: Reaction) -> None:
    causes = {LOWER: temperature(0, 95.0), STOP: Frame(0, 0x701, b"\0"), OFF_NOW: supply(0, 70.0)}
    for second in (LOWER, STOP, OFF_NOW):
        watch = Watch()
        watch.pass_(causes[first])
        watch.pass_(causes[second])
        assert watch.state.reaction == min(first, second)


@given(st.lists(st.sampled_from(["heal", "off", "on", "lose", "hot"]), max_size=40))
def test_a_stop_is_latched(happenings: list[str]) -> None:
    """Whatever the drives say afterwards: the reaction stays, and no pass sends a frame that energises."""
    watch = Watch()
    watch.pass_(Frame(0, 0x701, b"\0"))
    for what in happenings:
        watch.status = {"heal": [ENABLED] * 3, "on": [SWITCHED_ON] * 3, "off": [OFF] * 3}.get(what, watch.status)
        watch.pass_(*([temperature(0, 95.0)] if what == "hot" else []), silent=[1] if what == "lose" else [])
        assert watch.state.reaction in (STOP, OFF_NOW)
        assert set(controls(watch.sent).values()) <= {0x0000, 0x0002}
        assert {f.can_id for f in watch.sent} <= {0x000, 0x201, 0x202, 0x203}


# ---------------------------------------------------------------------- no false trip


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.booleans(), st.tuples(*[st.floats(0.5, 6.0)] * 3))
def test_healthy_legal_motion_is_never_stopped(seed: int, homed: bool, rates: tuple[float, ...]) -> None:
    """Smooth motion inside limits and speeds, a lag of 8 ms, encoder noise, small torques, up to three lost answers in
    a row: nothing of it is a reason.
    """
    chance = random.Random(seed)
    joints = SETUP.joints
    middle = [(j.low_rad + j.high_rad) / 2 for j in joints]
    sizes = []
    for j, rate in zip(joints, rates, strict=True):
        braking = j.speed_rad_s * RULES.latency_s + j.speed_rad_s**2 / (2 * RULES.deceleration)
        sizes.append(min(0.95 * j.speed_rad_s / rate, (j.high_rad - j.low_rad) / 2 - braking - 0.02))

    def angles(t: float) -> list[float]:
        q = [m + s * math.sin(w * t) for m, s, w in zip(middle, sizes, rates, strict=True)]
        return [sum(c * x for c, x in zip(row, q, strict=True)) for row in SETUP.actuator_of_joint]

    watch = Watch(None, homed, angles(0.0))
    lost = [0, 0, 0]
    for k in range(150):
        t = k * T * 1e-9
        if k == 3:  # the motion is under way: nothing starts at full speed from rest
            watch.state = watch.state._replace(grant=ALL, enabled=True)
        watch.positions = [p + chance.gauss(0, 1 / COUNTS) for p in angles(t)]
        watch.torque = [chance.uniform(-2.0, 2.0) for _ in range(3)]
        watch.demand(*(Point(p, 0.0, 9.0) for p in angles(t + 0.008)))
        silent = [i for i in range(3) if k > 3 and lost[i] < 3 and chance.random() < 0.05]
        lost = [lost[i] + 1 if i in silent else 0 for i in range(3)]
        turning = (angles(t + 1e-4)[k % 3] - angles(t - 1e-4)[k % 3]) / 2e-4 + chance.gauss(0, 0.02)
        slow = supply(k % 3, chance.uniform(20, 58), turning), temperature(k % 3, 40 + chance.uniform(-0.1, 0.1))
        reasons = watch.pass_(*slow, silent=silent)
        assert reasons == (), [str(reason) for reason in reasons]


frames = st.builds(
    Frame, st.just(0),
    st.one_of(st.integers(0, 0x7FF), st.sampled_from([0x181, 0x282, 0x383, 0x701, 0x083, 0x77F])),
    st.binary(max_size=8), st.sampled_from([0, SENT]),
)  # fmt: skip


@given(st.lists(st.lists(frames, max_size=6), max_size=10))
def test_any_frames_are_taken_without_an_exception(batches: list[list[Frame]]) -> None:
    state: MonitorState = Watch().state
    for k, batch in enumerate(batches):
        before = state
        state, sent, reasons = step(10**9 + k * T, batch, state, RULES)
        assert (state, sent, reasons) == step(10**9 + k * T, batch, before, RULES), "a pure step"
        assert {f.can_id for f in sent} <= {0x000, 0x201, 0x202, 0x203}


def test_a_trial_watches_its_axis_alone_for_power_but_every_frame() -> None:
    trial = Grant("trial", (1,), SETUP.trial_torque_Nm, 10**15)
    watch = Watch(grant=trial)
    watch.status = [OFF, ENABLED, FAULT]
    assert watch.pass_() == ()
    watch.status[1] = FAULT
    assert only(watch.pass_()) == ("drive fault", "hip", STOP)


def test_the_limits_are_the_set_up_s() -> None:
    """Another set-up, another limit: nothing is built in."""
    other = rules_of(replace(SETUP, following_rad=0.05))
    watch = Watch()
    watch.demand(*(Point(p + 0.06, 0.0, 9.0) for p in REST))
    frames_ = [feedback(i, REST[i]) for i in range(3)]
    assert step(watch.now + T, frames_, watch.state, RULES)[2] == ()
    assert {r.rule for r in step(watch.now + T, frames_, watch.state, other)[2]} == {"following error"}


# ---------------------------------------------------------------------- the bus itself

BUS_OFF, OTHER = Frame(0, 0x40, bytes(8), ERROR), Frame(0, 0x08, bytes(8), ERROR)


def test_bus_off_is_a_reason_at_once() -> None:
    """Linux' can/error.h: class 0x40 in the identifier of an error frame."""
    assert only(Watch().pass_(BUS_OFF)) == ("bus errors", "bus", STOP)
    assert only(Watch(grant=None).pass_(Frame(0, 0x44, bytes(8), ERROR))) == ("bus errors", "bus", STOP)
    assert Watch().pass_(OTHER) == ()


def test_more_than_ten_error_frames_within_a_second() -> None:
    watch = Watch()
    assert watch.pass_(*[OTHER] * 10) == ()
    assert watch.passes(248) == ()
    (reason,) = watch.pass_(OTHER)
    assert (reason.rule, reason.value, reason.limit) == ("bus errors", "11 error frames in a second", "10")


def test_ten_error_frames_every_second_are_borne() -> None:
    watch = Watch()
    for _ in range(5):
        assert watch.pass_(*[OTHER] * 10) == ()
        assert watch.passes(249) == ()


@pytest.mark.parametrize("flag", [REMOTE, FD, BRS])
def test_an_answer_in_another_kind_of_frame_is_none(flag: int) -> None:
    answer = feedback(1, REST[1])
    reasons = Watch().pass_(answer._replace(flags=flag))
    assert only(reasons) == ("decode", "hip", STOP)
    assert reasons[0].value == "frame 0x182 is remote or FD"


@pytest.mark.parametrize("flag", [REMOTE, FD])
def test_our_identifiers_are_ours_in_every_kind_of_frame(flag: int) -> None:
    assert only(Watch().pass_(Frame(0, 0x201, bytes(2), flag))) == ("foreign master", "0x201", STOP)


@pytest.mark.parametrize("can_id", [0x182, 0x080, 0x701, 0x083])
def test_extended_identifiers_are_another_space(can_id: int) -> None:
    assert Watch().pass_(Frame(0, can_id, b"\0", EXTENDED)) == ()


@pytest.mark.parametrize("length", [0, 1, 2, 7])
def test_a_cut_emergency_is_not_read(length: int) -> None:
    reasons = Watch().pass_(Frame(0, 0x082, bytes(length)))
    assert only(reasons) == ("decode", "hip", STOP)
    assert (reasons[0].value, reasons[0].limit) == (f"emergency of {length} bytes", "8 bytes")


def test_an_error_frame_is_nobodys_answer() -> None:
    """Its identifier holds error classes, which may be equal to a drive's."""
    before = Watch()
    assert before.pass_(Frame(0, 0x182, bytes(8), ERROR)) == ()
    assert before.state.axes[1].status == ENABLED


# ---------------------------------------------------------------------- after a quick stop


def stopped(speeds: Sequence[float], off: int | None = None) -> list[tuple[str, ...]]:
    """Rules that objected in each pass: a boot-up of another drive, then the knee at these speeds."""
    watch, seen = Watch(), []
    watch.positions[2] += 1.0 * T * 1e-9
    watch.pass_(Frame(0, 0x701, b"\0"))
    for k, speed in enumerate(speeds):
        watch.positions[2] += speed * T * 1e-9
        watch.status[2] = OFF if off is not None and k >= off else ENABLED
        watch.demand(*(Point(p, 0.0, 9.0) for p in watch.positions))
        seen.append(tuple(sorted({reason.rule for reason in watch.pass_()} & {"stop"})))
        if watch.state.reaction == OFF_NOW:
            assert controls(watch.sent)[1] == 0x0000
            return seen
    assert watch.state.reaction == STOP
    return seen


def test_faster_again_after_a_quick_stop_is_off_now() -> None:
    """By more than 0.5 rad/s above the least since: what brakes has the sign wrong, or does not brake."""
    assert stopped([1.0, 0.6, 1.08]) == [(), (), ()]
    assert stopped([1.0, 0.6, 1.12]) == [(), (), ("stop",)]
    assert stopped([1.0, 0.6, 0.2, 0.68]) == [()] * 4
    assert stopped([1.0, 0.6, 0.2, 0.5, 0.72]) == [()] * 4 + [("stop",)]


def test_the_first_sample_after_a_quick_stop_is_still_of_before() -> None:
    assert stopped([2.0, 2.4]) == [(), ()]


def test_a_limp_axis_may_fall_faster() -> None:
    """Its drive has let it go: nothing can be taken from it."""
    assert stopped([0.2, 0.8, 1.4, 2.0], off=1) == [()] * 4


def test_rising_speed_says_how_fast() -> None:
    watch = Watch()
    watch.pass_(Frame(0, 0x701, b"\0"))
    for speed in (0.0, 1.0):
        watch.positions[0] += speed * T * 1e-9
        watch.demand(*(Point(p, 0.0, 9.0) for p in watch.positions))
        reasons = watch.pass_()
    assert [(r.rule, r.subject, r.limit, r.reaction) for r in reasons] == [("stop", "leg", "0.00 rad/s", OFF_NOW)]
    assert reasons[0].value == "faster again, 0.98 rad/s" or reasons[0].value.startswith("faster again, 1.0")
    assert watch.state.until_ns == watch.now + 3 * T


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_leg_that_is_off_needs_no_stop_frames_one_that_is_not_gets_them(index: int) -> None:
    watch = Watch()
    watch.status = [OFF] * 3
    watch.status[index] = ENABLED
    watch.pass_(Frame(0, 0x701, b"\0"))
    assert controls(watch.sent) == {index + 1: 0x0002}


def test_the_confirmation_of_a_stop_is_timed_by_the_fastest_axis() -> None:
    """1.5 ramps of 300 rad/s^2 and 20 ms."""
    watch = Watch()
    for _ in range(3):
        watch.positions[0] += 1.5 * T * 1e-9
        watch.positions[1] -= 2.1 * T * 1e-9
        watch.demand(*(Point(p, 0.0, 9.0) for p in watch.positions))
        watch.pass_()
    watch.positions[0] += 1.5 * T * 1e-9
    watch.positions[1] -= 2.1 * T * 1e-9
    watch.pass_(Frame(0, 0x701, b"\0"))
    assert watch.state.until_ns - watch.now == pytest.approx(1.5 * 2.1 / 300 * 1e9 + 20e6, rel=0.005)
