"""An exception anywhere in a cycle of a powered leg: the permit is void first, then every axis gets its stop frame.

Exceptions are put where they would come from: monitor, encoder, gate, logs, adapter, host, latch. The wire and the
drives themselves are the judges.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from bench_leg import MS, Leg, S, energises
from powered_leg import FRAMES_NS, SETUP, T, displaced, lowered, moving, powered, refused_after

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import BusBusy, BusLost, LegStopped, NotPermitted, PrecheckRefused
from legtest.safety import cycle as cycle_module
from legtest.safety.loop import Loop
from legtest.safety.monitor import Reason
from legtest.simulation.link import VirtualLink

OFF_IN_NS = round(1.5 / 300 * S) + 20 * MS + T  # one and a half ramps from 1 rad/s, 20 ms, a period


class Broken(Exception):
    """What nobody has thought of."""


def raising(error: BaseException, times: int = 10**9, real: Callable[..., Any] | None = None) -> Callable[..., Any]:
    left = [times]

    def fail(*args: Any, **kwargs: Any) -> Any:
        if left[0] > 0:
            left[0] -= 1
            raise error
        assert real is not None
        return real(*args, **kwargs)

    return fail


def in_the_monitor(leg: Leg, patch: pytest.MonkeyPatch, times: int) -> None:
    patch.setattr(cycle_module, "step", raising(Broken("no idea"), times, cycle_module.step))


def in_the_encoder(leg: Leg, patch: pytest.MonkeyPatch, times: int) -> None:
    can_id, encode = leg.loop._encoders[1]
    leg.loop._encoders[1] = can_id, raising(ValueError("position does not fit its field"), times, encode)


def in_the_gate(leg: Leg, patch: pytest.MonkeyPatch, times: int) -> None:
    leg.loop.gate.refusal = raising(Broken("gate"), times, leg.loop.gate.refusal)  # type: ignore[method-assign]


def in_the_player(leg: Leg, patch: pytest.MonkeyPatch, times: int) -> None:
    assert leg.loop._player is not None
    leg.loop._player.at = raising(RecursionError("deep"), times, leg.loop._player.at)  # type: ignore[method-assign]


PLACES = {"monitor": in_the_monitor, "encoder": in_the_encoder, "gate": in_the_gate, "player": in_the_player}


@pytest.mark.parametrize("times", [1, 10**9])
@pytest.mark.parametrize("place", PLACES)
def test_an_exception_in_a_cycle_stops_every_axis_at_once(
    place: str, times: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    leg, key = moving()
    PLACES[place](leg, monkeypatch, times)
    since = leg.now
    with pytest.raises(LegStopped, match=r"monitor, host: .*, allowed a pass without an exception") as caught:
        leg.loop.pump(leg.now + 2 * S)
    monkeypatch.undo()
    assert caught.value.__cause__ is not None
    stops = {}
    for f in leg.wire.frames:
        if f.t_ns > since and 0x201 <= f.can_id <= 0x203:
            stops.setdefault(f.can_id, f)
    assert set(stops) == {0x201, 0x202, 0x203}
    for f in stops.values():
        assert (f.data, f.t_ns - since <= T + FRAMES_NS) == (b"\x02\x00", True)
    leg.wait(50 * MS)
    assert leg.energised() == [False] * 3
    assert leg.wire.energising(since + T + FRAMES_NS) == []
    if times == 1:
        assert not leg.loop.powered
        refused_after(leg, key)


def test_a_monitor_that_keeps_failing_ends_the_heartbeat_and_calls_for_the_emergency_stop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    leg, key = moving()
    in_the_monitor(leg, monkeypatch, 10**9)
    since = leg.now
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + 3 * S)
    beats = [f.t_ns for f in leg.wire.frames if f.can_id == 0x77F and f.t_ns > since]
    assert beats == [], "no beat without a completed pass"
    assert leg.loop.state.silent
    assert any("the monitor fails and the heartbeat has ended: PRESS THE EMERGENCY STOP" in e for e in leg.events)
    words = [f.data for f in leg.wire.frames if f.can_id == 0x202 and f.t_ns > since]
    assert words[:3] == [b"\x02\x00"] * 3
    assert words[-1] == b"\x00\x00", "what cannot be seen to stop is switched off"
    first_off = next(f.t_ns for f in leg.wire.frames if f.can_id == 0x202 and f.data == b"\0\0" and f.t_ns > since)
    assert first_off - since <= T + OFF_IN_NS + FRAMES_NS
    assert leg.loop.unconfirmed
    assert leg.loop.powered
    with pytest.raises(NotPermitted, match=r"never confirmed that it is off: PRESS THE EMERGENCY STOP|void"):
        leg.loop.energise(key)
    with pytest.raises(PrecheckRefused):
        leg.precheck()


def test_one_failed_pass_and_the_next_ones_confirm_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    leg, _ = moving()
    in_the_monitor(leg, monkeypatch, 1)
    with pytest.raises(LegStopped, match="monitor, host: Broken: no idea"):
        leg.loop.pump(leg.now + S)
    assert not leg.loop.state.silent
    assert [r.rule for r in leg.loop.reasons] == ["monitor"]
    assert not any("PRESS" in event for event in leg.events)


class Interrupted(BaseException):
    """As KeyboardInterrupt comes."""


@pytest.mark.parametrize("place", PLACES)
def test_an_interrupt_in_a_cycle_sends_the_stop_before_it_goes_on(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    leg, key = moving()
    target = {
        "monitor": (cycle_module, "step"), "gate": (leg.loop.gate, "refusal"),
        "encoder": (leg.loop, "_encoders"), "player": (leg.loop._player, "at"),
    }[place]  # fmt: skip
    broken: Any = raising(Interrupted(), 1, getattr(*target, None) if place != "encoder" else None)
    if place == "encoder":
        broken = [(i, raising(Interrupted(), 1, encode)) for i, encode in leg.loop._encoders]
    monkeypatch.setattr(*target, broken)
    since = leg.now
    with pytest.raises(Interrupted):
        leg.loop.pump(leg.now + S)
    assert leg.loop.powered
    assert leg.loop.state.reaction == Reaction.STOP_THEN_OFF
    monkeypatch.undo()
    leg.wait(MS)
    stops = {f.can_id for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00"}
    assert stops >= {0x201, 0x202, 0x203}
    leg.loop.stop(Reaction.STOP_THEN_OFF, "unwinding")
    assert leg.energised() == [False] * 3
    with pytest.raises(NotPermitted, match="Interrupted in the middle of a cycle"):
        leg.loop.energise(key)
    assert leg.loop.reasons == ()


def test_ten_interrupts_do_not_keep_the_leg_on() -> None:
    """One in each wait, as somebody hammers on Ctrl-C while the leg is being stopped: it is off before any goes on."""
    leg, _ = moving()
    pump, left = leg.link.pump, [10]

    def hammered(until_ns: int) -> list[Frame]:
        frames = pump(until_ns)
        if left[0] > 0:
            left[0] -= 1
            raise Interrupted
        return frames

    leg.link.pump = hammered  # type: ignore[method-assign]
    since = leg.now
    with pytest.raises(Interrupted):
        leg.loop.stop(Reaction.STOP_THEN_OFF, "interrupted again and again")
    assert left[0] == 0
    assert leg.energised() == [False] * 3
    assert not leg.loop.powered
    off = next(f for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00")
    assert off.t_ns - since <= FRAMES_NS


@pytest.mark.parametrize("failing", [0, 1, 2, 4])
def test_each_stop_frame_has_its_own_try(failing: int) -> None:
    """Whatever the adapter raises for one of them, the others leave; an interrupt comes out when all have left."""
    for error in (BusBusy("full"), OSError("odd"), Interrupted()):
        leg, _ = moving()
        send, count = leg.link.send, [0]

        def picky(frame: Frame, count: list[int] = count, send: Any = send, error: BaseException = error) -> None:
            if 0x201 <= frame.can_id <= 0x203:
                count[0] += 1
                if count[0] == failing + 1:
                    raise error
            send(frame)

        leg.link.send = picky  # type: ignore[method-assign]
        since = leg.now
        try:
            leg.loop.stop(Reaction.STOP_THEN_OFF, "for the test")
        except Interrupted:
            assert isinstance(error, Interrupted)
        leg.wait(MS)
        stopped = [f.can_id for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00"]
        assert set(stopped) == {0x201, 0x202, 0x203}
        first = {i: next(f.t_ns for f in leg.wire.frames if f.t_ns > since and f.can_id == i) for i in set(stopped)}
        late = [i for i, t in first.items() if t - since > FRAMES_NS]
        assert late == ([0x201 + failing] if failing < 3 else [])
        assert leg.energised() == [False] * 3
        if not isinstance(error, Interrupted):
            assert [r.rule for r in leg.loop.reasons] == ["adapter"]


# ---------------------------------------------------------------------- the record


class FullDisk:
    def __init__(self, lines: list[bytes], room: int) -> None:
        self.lines, self.room, self.asked = lines, room, 0

    def write(self, data: bytes, /) -> None:
        self.asked += 1
        if self.room <= 0:
            raise OSError(28, "No space left on device")
        self.room -= 1
        self.lines.append(data)


def test_a_full_disk_lowers_the_leg_and_marks_the_record() -> None:
    leg, key = displaced()
    disk = leg.loop._log = FullDisk([], 3)
    since = leg.now
    with pytest.raises(LegStopped, match=r"record, host: OSError: .*No space left on device"):
        leg.loop.pump(leg.now + 3 * S)
    lowered(leg, since)
    assert disk.asked == 4, "it is not asked again: that would only cost time"
    assert sum("THE RECORD IS BAD" in event for event in leg.events) == 1
    end = next(f.t_ns for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00")
    cycles = [f.t_ns for f in leg.wire.frames if f.can_id == 0x080 and since < f.t_ns < end]
    assert {b - a for a, b in pairwise(cycles)} == {T}, "the monitor missed no cycle"
    refused_after(leg, key)
    with pytest.raises(PrecheckRefused, match="frames are not recorded any more"):
        leg.precheck()


def test_a_full_disk_of_an_unpowered_leg_gives_no_power() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.loop._log = FullDisk([], 0)
    leg.loop.run(3)
    assert [r.rule for r in leg.loop.reasons] == ["record"]
    with pytest.raises(NotPermitted, match="the permit is void: record, host"):
        leg.loop.energise(key)


def test_events_that_cannot_be_told_lower_the_leg_as_well() -> None:
    leg, _ = displaced()
    told: list[str] = []

    def events(text: str) -> None:
        told.append(text)
        raise OSError(28, "No space left on device")

    leg.loop._events = events
    since = leg.now
    leg.loop._tell("anything")
    with pytest.raises(LegStopped, match="record, host"):
        leg.loop.pump(leg.now + 3 * S)
    lowered(leg, since)
    assert told[0] == "anything"


# ---------------------------------------------------------------------- the adapter


@pytest.mark.parametrize("can_id", [0x080, 0x301, 0x302, 0x303, 0x77F])
def test_an_adapter_that_takes_no_frame_once_stops_the_leg(can_id: int) -> None:
    leg, key = moving()
    send, refused = leg.link.send, []

    def full(frame: Frame) -> None:
        if frame.can_id == can_id and not refused:
            refused.append(frame)
            raise BusBusy("no room for a frame")
        send(frame)

    leg.link.send = full  # type: ignore[method-assign]
    since = leg.now
    with pytest.raises(LegStopped, match="adapter, host: no room for a frame, allowed an adapter that takes every"):
        leg.loop.pump(leg.now + S)
    (lost,) = refused
    refused_at = next(f.t_ns for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00")
    assert not [f for f in leg.wire.frames if f.t_ns > refused_at and (f.can_id, f.data) == (lost.can_id, lost.data)
                and f.can_id & 0x780 == 0x300], "nothing stale is sent later"  # fmt: skip
    assert refused_at - since <= 6 * T + FRAMES_NS, "a heartbeat leaves every fifth cycle"
    assert leg.energised() == [False] * 3
    refused_after(leg, key)


def test_an_adapter_that_stays_full_is_closed_so_that_nothing_comes_out_later() -> None:
    """A cable that is off: nobody acknowledges, the queue is full. On its return no old frame reaches a drive."""
    leg, _ = moving()
    leg.link.send = raising(BusBusy("256 frames already wait"))  # type: ignore[method-assign]
    since = leg.now
    with pytest.raises(LegStopped, match="adapter, host: 256 frames"):
        leg.loop.pump(leg.now + 5 * S)
    assert leg.loop.unconfirmed
    with pytest.raises(BusLost):
        leg.link.pump(leg.now)
    leg.wait(300 * MS)
    assert [f for f in leg.wire.frames if f.t_ns > since + 3 * T and energises(f)] == []
    assert leg.energised() == [False] * 3, "by themselves"
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + S)


def test_a_lost_bus_is_tried_frame_by_frame_and_given_up_at_once() -> None:
    leg, _ = moving()
    tried: list[int] = []

    def gone(frame: Frame) -> None:
        tried.append(frame.can_id)
        raise BusLost("the adapter was unplugged")

    leg.link.send = gone  # type: ignore[method-assign]
    before = leg.now
    with pytest.raises(LegStopped, match="adapter, host: the adapter was unplugged"):
        leg.loop.pump(leg.now + S)
    assert set(tried) >= {0x201, 0x202, 0x203}
    assert leg.now - before <= 3 * T
    assert leg.loop.powered
    assert any("did not confirm that it is off" in e and "PRESS THE EMERGENCY STOP" in e for e in leg.events)


def test_a_bus_that_is_lost_unpowered_is_told_as_such() -> None:
    leg = Leg()
    leg.precheck()
    leg.link.close()
    for call in (lambda: leg.loop.pump(leg.now + S), lambda: leg.loop.listen(MS)):
        with pytest.raises(BusLost):
            call()
    assert leg.loop.reasons == ()


class Delayed(VirtualLink):
    """An adapter whose queue has become long: our frames get on the wire, and come back, so much later."""

    delay_ns = 0
    held: list[tuple[int, Frame]]

    def send(self, frame: Frame) -> None:
        if not self.delay_ns:
            super().send(frame)
        else:
            self._bus.at(self._bus.now_ns + self.delay_ns, lambda t: self._port.send(frame))


@pytest.mark.parametrize(("cycles", "stops"), [(2.4, False), (3.3, True)])
def test_our_own_frames_must_be_on_the_wire_within_three_periods(cycles: float, stops: bool) -> None:
    leg = Leg(replace(SETUP, age_cycles=8))
    link = Delayed(leg.bus)
    leg.loop = Loop(link, leg.setup, leg.loop._log, leg.events.append)
    leg.loop.energise(leg.precheck())
    link.delay_ns = round(cycles * T)
    since = leg.now
    if not stops:
        leg.loop.run(100)
        assert [r.rule for r in leg.loop.reasons] == []
        return
    with pytest.raises(
        LegStopped, match=r"adapter, host: our own frames are on the wire after \d+\.\d ms, allowed 12 ms"
    ):
        leg.loop.run(100)
    asked = [f for f in leg.wire.frames if f.t_ns > since and f.can_id == 0x301]
    assert len(asked) <= 2, "while no echo comes back nothing more is queued"


def test_while_no_echo_comes_no_set_point_is_queued() -> None:
    leg, _ = powered()
    leg.loop.run(3)
    leg.wait(T // 4)  # what the last cycle has sent is on the wire now
    pump = leg.link.pump
    leg.link.pump = lambda until: [f for f in pump(until) if not f.flags & SENT]  # type: ignore[method-assign]
    since, before = leg.now, leg.loop.demand()
    leg.loop.run(1)
    leg.wait(MS)
    assert leg.wire.set_points(since) == []
    assert leg.loop.demand() == before


def test_an_adapter_that_never_echoes_is_not_waited_for() -> None:
    leg = Leg()
    pump = leg.link.pump
    leg.link.pump = lambda until: [  # type: ignore[method-assign]
        f for f in pump(until) if not (f.flags & SENT and f.can_id == 0x080)
    ]
    leg.loop.energise(leg.precheck())
    leg.loop.run(60)
    assert leg.loop.reasons == ()
    assert leg.energised() == [True] * 3


# ---------------------------------------------------------------------- the host, and who is told


def with_host(host: Callable[[int], str], stopped: Callable[[tuple[Reason, ...]], None] = lambda r: None) -> Leg:
    leg = Leg()
    leg.loop = Loop(leg.link, leg.setup, leg.loop._log, leg.events.append, host, stopped)
    return leg


def test_the_host_is_asked_once_in_every_cycle_after_the_monitor() -> None:
    asked: list[int] = []

    def host(now_ns: int) -> str:
        asked.append(now_ns)
        assert leg.loop.state.last_ns == now_ns, "the monitor has just seen this instant"
        return ""

    leg = with_host(host)
    leg.loop.run(10)
    assert len(asked) == 10
    assert {b - a for a, b in pairwise(asked)} == {T}


def test_a_host_that_has_gone_stops_a_powered_leg() -> None:
    gone: list[str] = []
    leg = with_host(lambda now: gone[0] if gone else "")
    key = leg.precheck()
    leg.loop.energise(key)
    leg.loop.run(5)
    gone.append("the pipe has ended")
    since = leg.now
    with pytest.raises(LegStopped, match="host, host: the pipe has ended, allowed a living host"):
        leg.loop.run(5)
    first = next(f for f in leg.wire.frames if f.t_ns > since and f.data == b"\x02\x00")
    assert first.t_ns - since <= T + FRAMES_NS
    assert leg.energised() == [False] * 3
    gone.clear()
    refused_after(leg, key)


def test_a_host_that_has_gone_from_an_unpowered_leg_is_no_reason() -> None:
    leg = with_host(lambda now: "gone")
    leg.wait(50 * MS)
    leg.link.pump(leg.now)  # drives that have just been switched on say so
    leg.loop.run(5)
    assert leg.loop.reasons == ()


def test_a_question_to_the_host_that_fails_is_an_answer() -> None:
    def broken(now_ns: int) -> str:
        raise Broken("pipe")

    leg = Leg()
    leg.loop.energise(leg.precheck())
    leg.loop._host = broken
    with pytest.raises(LegStopped, match="host, host: Broken: pipe"):
        leg.loop.run(3)


def test_who_keeps_the_latch_is_told_once_after_the_frames_have_left() -> None:
    told: list[tuple[Reason, ...]] = []
    waiting: list[int] = []

    def stopped(reasons: tuple[Reason, ...]) -> None:
        told.append(reasons)
        waiting.append(len([f for f in leg.bus.waiting if f]))

    leg = with_host(lambda now: "", stopped)
    leg.loop.energise(leg.precheck())
    leg.nodes[1]._power.fault(leg.now, 0x2310)
    with pytest.raises(LegStopped):
        leg.loop.run(30)
    (reasons,) = told
    assert {reason.rule for reason in reasons} <= {"drive fault", "emergency"}
    assert waiting[0] >= 2, "the stop frames of the other axes are on their way"


def test_a_normal_end_tells_nobody() -> None:
    told: list[object] = []
    leg = with_host(lambda now: "", told.append)
    leg.loop.energise(leg.precheck())
    leg.loop.lower_and_off()
    assert told == []


def test_after_the_next_precheck_the_next_stop_is_told_again() -> None:
    told: list[object] = []
    leg = with_host(lambda now: "", told.append)
    for count in (1, 2):
        leg.loop.energise(leg.precheck())
        leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))
        with pytest.raises(LegStopped):
            leg.loop.run(30)
        assert len(told) == count


def test_a_latch_that_cannot_be_written_does_not_keep_the_leg_on() -> None:
    leg = with_host(lambda now: "", raising(OSError("read-only file system")))
    leg.loop.energise(leg.precheck())
    leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))
    with pytest.raises(LegStopped, match="foreign master"):
        leg.loop.run(30)
    assert leg.energised() == [False] * 3
    assert any("could not be kept for the next run: OSError: read-only" in event for event in leg.events)
