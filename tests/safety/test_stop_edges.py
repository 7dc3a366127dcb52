"""The edges of a stop that is carried on: when exactly it escalates, and what it then says and sends."""

from __future__ import annotations

import pytest
from watch import OFF, OFF_NOW, RULES, STOP, Watch, supply

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point
from legtest.safety.monitor import NMT_STOP_ALL, Reason
from legtest.safety.rules import RISING_RAD_S

T = RULES.period_ns
BOOT_UP = Frame(0, 0x701, b"\0")


def stopped(cause: Frame = BOOT_UP) -> Watch:
    watch = Watch()
    watch.pass_(cause)
    return watch


def at_speed(watch: Watch, speed: float) -> tuple[Reason, ...]:
    """One pass in which the first axis moves on with its demand, so that nothing but its speed is a reason."""
    watch.positions[0] += speed * T * 1e-9
    watch.demand(*(Point(p, 0.0, 9.0) for p in watch.positions))
    return watch.pass_()


def test_switching_off_is_confirmed_within_three_periods() -> None:
    watch = stopped(supply(0, 70.0))
    assert watch.state.reaction == OFF_NOW
    assert watch.state.until_ns == watch.now + 3 * T


def test_a_stop_is_late_after_its_time_and_not_at_it() -> None:
    watch = stopped()
    watch.state = watch.state._replace(until_ns=watch.now + T)
    assert watch.pass_() == ()
    assert watch.pass_() == (Reason("stop", "abduction", "not confirmed", "off in time", OFF_NOW),)
    assert watch.state.until_ns == watch.now + 3 * T


def test_speed_that_creeps_up_from_rest_is_counted_from_rest() -> None:
    """Each rise is small; a stop that was at rest and is fast again has failed all the same."""
    watch = stopped()
    assert at_speed(watch, 0.0) == ()
    step = 0.6 * RISING_RAD_S
    assert at_speed(watch, step) == ()
    (reason,) = at_speed(watch, 2 * step)
    assert reason.value.startswith("faster again"), reason


def test_as_much_faster_as_is_allowed_is_no_reason() -> None:
    seen = []
    for margin in (0.0, 1e-9):
        watch = stopped()
        at_speed(watch, 0.0)
        fast = stopped()
        at_speed(fast, 0.0)
        fast.state = fast.state._replace(slowest=99.0)
        at_speed(fast, 2 * RISING_RAD_S)
        speed = fast.state.slowest
        watch.state = watch.state._replace(slowest=speed - RISING_RAD_S - margin)
        seen.append(len(at_speed(watch, 2 * RISING_RAD_S)))
    assert seen == [0, 1]


@pytest.mark.parametrize(("passes", "sent"), [(1, ()), (2, (Frame(0, 0x202, b"\x02\x00"),))])
def test_an_axis_that_is_off_and_silent_for_two_cycles_is_told_again(passes: int, sent: tuple[Frame, ...]) -> None:
    watch = stopped()
    watch.status = [OFF] * 3
    watch.pass_()
    for _ in range(passes):
        watch.pass_(silent=[1])
    assert watch.sent == sent


@pytest.mark.parametrize(
    ("said_ns", "sends"),
    [(lambda now: now - T // 2, True), (lambda now: now - T // 2 + 1, False), (lambda now: now + 1, False),
     (lambda now: 0, True), (lambda now: -1, False), (lambda now: None, True)],
)  # fmt: skip
def test_nmt_stop_waits_half_a_period_for_what_it_overtakes(said_ns: object, sends: bool) -> None:
    watch = stopped(supply(0, 70.0))
    now = watch.now + T
    watch.state = watch.state._replace(until_ns=watch.now, said_ns=said_ns(now))  # type: ignore[operator]
    watch.pass_()
    assert (NMT_STOP_ALL in watch.sent) == sends
    assert watch.state.reaction == OFF_NOW != STOP
