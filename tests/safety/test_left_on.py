"""A leg that is on and must not be, or is off and taken for something else: what is believed, and for how long."""

from __future__ import annotations

from typing import Any

import pytest
from bench_leg import MS, Leg, _Log
from powered_leg import T, moving, powered

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import BusBusy, DriveError, LegStopped, NotPermitted
from legtest.safety.loop import Loop
from legtest.safety.monitor import initial, step
from legtest.safety.rules import SELDOM_CYCLES


@pytest.mark.parametrize("slots", [1, 5, 22])
def test_a_slot_left_out_settles_nothing(slots: int) -> None:
    """The host is away right behind the frames that enable: what the drives said before is no confirmation."""
    leg = Leg()
    leg.loop.state = leg.loop.state._replace(cycle=100, acted=100)
    leg.wait((slots + 1) * T + T // 2)
    leg.loop.cycle()
    assert leg.loop.state.cycle == 100 + slots + 1
    assert leg.loop.state.acted == 100 + slots
    assert leg.loop.state.unsettled


def test_an_axis_that_is_on_without_a_permit_is_switched_off() -> None:
    leg = Leg()
    leg.precheck()
    stranger = leg.bus.attach(lambda _: None)
    for word in (0x06, 0x07, 0x0F):
        stranger.send(Frame(0, 0x202, bytes((word, 0))))
        leg.wait(MS)
    assert leg.energised() == [False, True, False]
    leg.loop.forget()
    leg.link.pump(leg.now)
    since = leg.now
    leg.loop.pump(leg.now + 8 * T)
    assert leg.energised() == [False] * 3
    assert [(r.rule, r.subject) for r in leg.loop.reasons] == [("drive state", "hip")]
    assert "off without a permit" in str(leg.loop.reasons[0])
    assert set(leg.wire.controls(2, since)) == {0}


def told(leg: Leg, key: Any, angle: float) -> None:
    leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, angle), key)


def test_home_is_compared_with_what_was_told() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.loop.run(250)
    motion: Any = leg.nodes[1]._motion
    home = motion._home

    def the_other_way(t_ns: int) -> None:
        objects = motion._dictionary
        offset = objects.number(0x607C)
        objects.set(0x607C, 0, -offset)
        home(t_ns)
        objects.set(0x607C, 0, offset)

    motion._home = the_other_way
    with pytest.raises(DriveError, match=r"hip was told \+0.100 rad and says -0.100 rad"):
        told(leg, key, 0.1)
    assert not leg.loop.state.homed
    with pytest.raises(NotPermitted, match="hip did not take its home"):
        leg.loop.energise(key)


def test_a_home_that_was_attained_before_is_set_anew() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.loop.run(250)
    told(leg, key, 0.1)
    motion: Any = leg.nodes[0]._motion
    switch_on = motion.switch_on

    def still_attained(*arguments: Any) -> None:
        switch_on(*arguments)
        motion._homed = True

    motion.switch_on = still_attained
    told(leg, key, 0.4)
    assert leg.loop.state.homed
    assert [axis.position for axis in leg.loop.state.axes] == pytest.approx([0.4] * 3, abs=0.01)


@pytest.mark.parametrize("what", ["supply", "temperature"])
@pytest.mark.parametrize(("age", "stopped"), [(SELDOM_CYCLES, False), (SELDOM_CYCLES + 1, True)])
def test_what_comes_seldom_is_aged_too(what: str, age: int, stopped: bool) -> None:
    leg, _ = powered()
    state = leg.loop.state
    cycle = state.cycle + 1
    fresh = {"sampled": cycle, "supply_at": cycle, "temperature_at": cycle}
    axes = [a._replace(**fresh) for a in state.axes]
    axes[1] = axes[1]._replace(**{f"{what}_at": cycle - age})
    _, _, reasons = step(state.last_ns + T, [], state._replace(axes=tuple(axes)), leg.loop.rules)
    assert [(r.rule, r.subject, r.value) for r in reasons] == (
        [("telemetry age", "hip", f"{what} {age} cycles")] if stopped else []
    )
    axes[1] = axes[1]._replace(**{what: None})
    _, _, reasons = step(state.last_ns + T, [], state._replace(axes=tuple(axes)), leg.loop.rules)
    assert reasons == (), "a drive that does not send it is not waited for"


def test_a_leg_whose_slow_frames_fall_silent_is_stopped() -> None:
    leg, key = moving(0.05)
    leg.link.drop = lambda frame: 0x281 <= frame.can_id <= 0x283
    since = leg.now
    leg.loop.play(leg.stretch(0, 0.05, 2.0), key)
    with pytest.raises(LegStopped, match=r"telemetry age, abduction: supply \d+ cycles"):
        leg.loop.run(400)
    assert (SELDOM_CYCLES - 5) * T < leg.now - since < (SELDOM_CYCLES + 30) * T
    assert leg.energised() == [False] * 3


def test_after_a_long_rest_nothing_is_too_old() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.wait(5000 * MS)
    leg.loop.energise(key)
    leg.loop.run(100)
    assert not leg.loop.reasons
    assert leg.energised() == [True] * 3


def test_an_interrupt_while_disarming_excuses_nobody_afterwards() -> None:
    leg, _ = powered()
    write = leg.loop.access.write

    def interrupted(*_: Any) -> None:
        leg.loop.access.write = write  # type: ignore[method-assign]
        raise KeyboardInterrupt

    leg.loop.access.write = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        leg.loop.lower_and_off()
    assert leg.loop.state.proving == ()
    assert leg.energised() == [False] * 3
    leg.loop.state = leg.loop.state._replace(proving=(0, 1, 2))
    leg.loop.begin_anew()
    assert leg.loop.state.proving == ()


def test_every_reason_is_told_not_only_the_first() -> None:
    """One that says nothing of the leg may come first, and what comes after it is what a person must look at."""
    heard: list[list[str]] = []
    leg = Leg()
    leg.loop = Loop(
        leg.link, leg.setup, _Log(leg.log), leg.events.append,
        stopped=lambda reasons: heard.append([reason.rule for reason in reasons]),
    )  # fmt: skip
    key = leg.precheck()
    leg.loop.run(250)
    leg.loop.energise(key)
    leg.loop._host = lambda now_ns: "it has gone"
    leg.link.mute = lambda frame: 0x200 <= frame.can_id <= 0x27F
    with pytest.raises(LegStopped):
        leg.loop.run(10)
    assert heard[0] == ["host"]
    assert heard[1][:2] == ["host", "stop"]


def test_the_state_before_anything_is_settled() -> None:
    assert not initial(3, 0).unsettled


def test_while_its_loss_is_proven_an_axis_is_watched_all_the_same() -> None:
    """Only that it leaves its operation by itself is excused, not how it moves until then."""
    leg, _ = powered()
    state = leg.loop.state
    excused = state._replace(proving=(0,), demand=leg.loop.demand())
    axes = list(state.axes)
    axes[0] = axes[0]._replace(position=axes[0].position - 0.3)
    _, _, reasons = step(state.last_ns + T, [], excused._replace(axes=tuple(axes)), leg.loop.rules)
    assert {(r.rule, r.subject) for r in reasons} == {("following error", "abduction")}
    axes[0] = state.axes[0]._replace(status=0x0250)
    _, _, reasons = step(state.last_ns + T, [], excused._replace(axes=tuple(axes)), leg.loop.rules)
    assert reasons == ()
    axes[0] = state.axes[0]._replace(status=0x0018)
    _, _, reasons = step(state.last_ns + T, [], excused._replace(axes=tuple(axes)), leg.loop.rules)
    assert reasons == ()
    _, _, reasons = step(
        state.last_ns + T, [], excused._replace(axes=tuple(axes), proving=(1,)), leg.loop.rules
    )
    assert {r.rule for r in reasons} == {"drive fault"}


@pytest.mark.parametrize(
    ("said_ns", "nmt"), [(None, True), (-1, False), (0, True), (T // 2, True), (T // 2 + 1, False), (T, False)]
)
def test_the_nmt_stop_lets_controlwords_go_first(said_ns: int | None, nmt: bool) -> None:
    """It has the highest priority on the bus (CiA 301: COB-ID 0), and a stopped node takes no process data."""
    leg, _ = powered()
    state = leg.loop.state._replace(
        last_ns=0, reaction=Reaction.OFF_NOW, until_ns=T - 1, said_ns=said_ns, proving=(0, 1, 2)
    )
    after, frames, _ = step(T, [], state, leg.loop.rules)
    assert (Frame(0, 0x000, b"\x02\x00") in frames) is nmt
    assert after.silent
    assert [f.can_id for f in frames if f.data == b"\0\0"] != []


def test_an_adapter_that_was_busy_gives_the_controlwords_before_the_nmt_stop() -> None:
    leg, _ = moving(1.0)
    send, until = leg.link.send, leg.now + 20 * T

    def busy(frame: Frame) -> None:
        if leg.now < until:
            raise BusBusy("no room")
        send(frame)

    leg.link.send = busy  # type: ignore[method-assign]
    leg.link.drop = lambda frame: leg.now < until
    with pytest.raises(LegStopped):
        leg.loop.run(100)
    after = [f for f in leg.wire.frames if f.t_ns > until and f.can_id in (0x000, 0x201, 0x202, 0x203)]
    assert [f.can_id for f in dict.fromkeys(f._replace(t_ns=0) for f in after[:6])] == [0x201, 0x202, 0x203]
    assert {f.data for f in after[:6]} == {b"\0\0"}
    assert leg.energised() == [False] * 3


def test_a_mistake_in_a_cycle_without_power_voids_the_permit(monkeypatch: pytest.MonkeyPatch) -> None:
    leg = Leg()
    key = leg.precheck()

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a mistake in the monitor")

    with monkeypatch.context() as patch:
        patch.setattr("legtest.safety.cycle.step", broken)
        with pytest.raises(ZeroDivisionError):
            leg.loop.cycle()
    with pytest.raises(NotPermitted, match="ZeroDivisionError in a cycle without power"):
        leg.loop.energise(key)
