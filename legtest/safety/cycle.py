"""The control cycle: SYNC, collect, watch, then set-points; and the stop that every way out of it ends in.

Cycle k begins with SYNC at t_k. Every drive samples at SYNC and answers; what has come by t_k + 0.6 T goes through the
monitor; then the set-points for t_(k+2) leave: they act at SYNC k+1 and are reached one period later. The table of
set-points is known ahead, so there is neither lag nor a race between SYNC and set-points.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from legtest.canbus.candump import line
from legtest.canbus.frame import SENT, Frame
from legtest.canbus.link import Link
from legtest.canbus.wiremap import Point, Reaction, setpoint_encoder
from legtest.errors import BusLost, LinkError, NotPermitted
from legtest.safety.gate import HEARTBEAT, Gate
from legtest.safety.lowering import lowering
from legtest.safety.monitor import Reason, initial, step
from legtest.safety.permit import Grant, Ledger
from legtest.safety.player import Player
from legtest.safety.port import LineSink, TimingCounts
from legtest.safety.rules import rules_of
from legtest.safety.service import ObjectAccess
from legtest.safety.setup import Setup

ECHO_CYCLES = 3  # see RECENT_CYCLES of the monitor's state
PRESS = "PRESS THE EMERGENCY STOP"
_OFF, _STOP, _LOWER = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF, Reaction.LOWER_THEN_OFF
Stopped = Callable[[tuple[Reason, ...]], None]


def never(_now_ns: int) -> str:
    return ""  # the host whose thread runs the cycle is always there


def ignore(_reasons: tuple[Reason, ...]) -> None: ...


class Cycle:
    """Owns link, set-up, ledger and logs of one leg. All methods run in the one thread that made it.

    host: asked once in every cycle, after the monitor, why there is no host any more; "" = it lives. stopped: told all
    reasons so far whenever one comes up on a powered leg, after the first frames of the stop have left.
    """

    def __init__(
        self,
        link: Link,
        setup: Setup,
        log: LineSink,
        events: Callable[[str], None],
        host: Callable[[int], str] = never,
        stopped: Stopped = ignore,
    ) -> None:
        self.link, self.setup, self.rules, self.ledger = link, setup, rules_of(setup), Ledger(setup)
        self.state = initial(len(setup.axes), link.now_ns())
        self.gate = Gate(setup)
        self.access = ObjectAccess(setup, self.send, self.listen, link.now_ns)
        self.reasons: tuple[Reason, ...] = ()
        self.outbox: list[Frame] = []
        self.beating = False
        self.beat_ns = 0  # when our heartbeat left last
        self.looked_ns = 0  # when the drives were last asked who and how they are
        self.configuring = False  # what the pre-check has written may be written now
        self.unconfirmed = False  # a stop was given up: the leg may be powered, whatever was done
        self.lost = False
        self.cause: BaseException | None = None  # what broke a cycle
        self.intruder = ""  # who has called from another thread
        self._log, self._events, self._host, self._stopped = log, events, host, stopped
        self._encoders = [setpoint_encoder(axis) for axis in setup.axes]
        self._setpoints = {can_id for can_id, _ in self._encoders}
        self._sync = Frame(0, setup.sync_id, b"")
        # Without us for so long, the drives have stopped by themselves, and a stop that comes later is worth nothing.
        self._drives_acted_ns = setup.loss_ns + self.rules.confirm_ns(_STOP, max(j.speed_rad_s for j in setup.joints))
        self._echoes: deque[int] = deque()  # when each SYNC left whose echo has not come back
        self.unrecorded = False  # frames are missing from the record
        self._echoing = self._queued = False  # our frames come back; what was sent last still stands in a queue
        self._next = link.now_ns() + setup.period_ns
        self._grant: Grant | None = None
        self._player: Player | None = None
        self._lowering: Player | None = None
        self._sent: deque[tuple[Point, ...] | None] = deque([None, None], 2)
        self._rest: tuple[float, ...] = ()
        self._backlog: list[Frame] = []
        self._fast = {axis.position_signal().can_id for axis in setup.axes}
        self.reset_timing()

    @property
    def powered(self) -> bool:
        """Whether any axis is, or may be, energised."""
        return self._grant is not None or self.unconfirmed

    # ------------------------------------------------------------------ frames out and in
    def send(self, frame: Frame) -> None:
        """Send through the gate, no set-point: those leave with their cycle, from a table that was checked whole.

        Raises NotPermitted; a refusal is an event of the record.
        """
        refusal = self.gate.refusal(frame, self._grant, self.link.now_ns(), self.powered)
        if not refusal and frame.can_id in self._setpoints:
            refusal = "set-points leave with the cycle alone"
        if refusal:
            self._tell(f"refused 0x{frame.can_id:X}#{frame.data.hex()}: {refusal}")
            raise NotPermitted(refusal)
        if self.gate.energises(frame):
            self.state = self.state._replace(acted=self.state.cycle)
        if not self.configuring and (setting := self.gate.setting(frame)):
            self.ledger.revoke(f"{setting}, which the pre-check had written, was written again")
        self.link.send(frame)

    def listen(self, span_ns: int) -> list[Frame]:
        """Send nothing for a while; what was heard (the monitor sees it with the next cycle)."""
        frames = self._collect(self.link.now_ns() + span_ns)
        self._backlog += frames
        return frames

    def forget(self) -> None:
        """Drop what was heard while listening: looked at already, by the pre-check."""
        self._backlog = []

    def _collect(self, until_ns: int) -> list[Frame]:
        try:
            frames = self.link.pump(until_ns)
        except LinkError as error:
            self._adapter_failed(error)
            return []
        self.outbox += frames
        if frames and not self.unrecorded:
            try:
                self._log.write(b"".join([line(frame) for frame in frames]))
            except Exception as error:  # noqa: BLE001 (a full disk must not keep the monitor waiting)
                self._record_failed(error)
        return frames

    def _adapter_failed(self, error: LinkError) -> None:
        """The adapter took or gave nothing. Raises the error when the leg has no power; else it is a reason to stop."""
        if not self.powered:
            raise error
        self.lost = self.lost or isinstance(error, BusLost)
        self._object(Reason("adapter", "host", str(error), "an adapter that takes every frame", _STOP))

    def _tell(self, text: str) -> None:
        try:
            self._events(text)
        except Exception as error:  # noqa: BLE001
            self._record_failed(error)

    def _record_failed(self, error: Exception) -> None:
        """Nothing is recorded any more, so nothing is measured: down and off, and the record says that it is bad."""
        if self.unrecorded:
            return
        self.unrecorded = True
        self._object(Reason("record", "host", f"{type(error).__name__}: {error}", "every frame recorded", _LOWER))
        self._tell("THE RECORD IS BAD: frames are missing from here on")

    # ------------------------------------------------------------------ one cycle
    def cycle(self) -> None:
        """SYNC, collect, monitor, set-points, heartbeat last: a beat means a completed pass of the monitor.

        Whatever is raised on the way stops a powered leg, and is a reason; an interrupt is raised again.
        """
        try:
            self._pass()
        except Exception as error:
            if not self.powered:
                self.ledger.revoke(f"{type(error).__name__} in a cycle without power")
                raise
            self._fail(error)
        except BaseException as error:
            if self.powered:
                self.ledger.revoke(f"{type(error).__name__} in the middle of a cycle")
                self._stop_now(_STOP)
            raise

    def _pass(self) -> None:
        frames, start = self._sample()
        self._watch(frames)
        gone = self._host_gone()
        if gone and self.powered:
            self._object(Reason("host", "host", gone, "a living host", _STOP))
        driving = self.state.reaction is None or self.state.reaction > _STOP
        if self._grant is not None and self._player is not None and driving:
            self._set_points(self._player, self._grant, start + 2 * self.setup.period_ns)
        else:
            self._sent.append(None)
        if self.beating and not self.state.silent and start >= self.beat_ns + self.setup.heartbeat_ns:
            self._transmit(HEARTBEAT)
            self.beat_ns = start

    def _sample(self) -> tuple[list[Frame], int]:
        """Wait for the next slot, send SYNC, collect the answers. Returns them and the instant of the slot."""
        period = self.setup.period_ns
        frames, self._backlog = self._backlog, []
        if self.link.now_ns() < self._next:
            frames += self._collect(self._next)
        late = self.link.now_ns() - self._next
        if late >= period:
            slots = late // period
            self._next += slots * period
            late -= slots * period
            if self.powered or self.configuring:
                self._missed += slots
            # A slot left out settles nothing: no drive has been asked in it.
            self.state = self.state._replace(cycle=self.state.cycle + slots, acted=self.state.acted + slots)
        if self.powered or self.configuring:
            self._lateness.append(late)
        start = self._next
        self._next = start + period
        self._echoes.append(self.link.now_ns())
        self._transmit(self._sync)
        # An answer that comes after its own cycle is late, which the monitor judges, and not lost.
        frames += self._collect(start + period * 6 // 10)
        self._expected += len(self._fast)
        self._arrived += len([1 for frame in frames if frame[1] in self._fast])
        return frames, start

    def _transmit(self, frame: Frame) -> bool:
        """Hand over a frame; one that the adapter does not take is never sent later."""
        try:
            self.link.send(frame)
        except LinkError as error:
            self._adapter_failed(error)
            return False
        return True

    def _watch(self, frames: list[Frame]) -> None:
        now = self.link.now_ns()
        self._check_echoes(frames, now)
        state = self.state._replace(
            demand=self._sent[0] if self._grant is not None else None, keyed=self.ledger.live, grant=self._grant,
            unconfirmed=self.unconfirmed,
        )  # fmt: skip
        silent = state.silent
        self.state, stop_frames, reasons = step(now, frames, state, self.rules)
        if reasons:
            self.ledger.revoke(str(reasons[0]))
        self._push_out(stop_frames)
        self._note(reasons)
        if self.state.silent and not silent:
            self._tell(f"the stop is not confirmed and the heartbeat has ended: {PRESS}")
        if reasons and self.state.reaction == _LOWER:
            self._begin_lowering()
        if not self.powered:
            self._check_off()

    def _check_off(self) -> None:
        """Nothing is permitted, so nothing is on: by another program, or left on by a stop that went wrong."""
        for name, test, axis in zip(self.rules.names, self.rules.is_energised, self.state.axes, strict=True):
            if axis.sampled >= self.state.cycle - 1 and test.holds(axis.status):
                value = f"statusword 0x{axis.status:04X}"
                self._object(Reason("drive state", name, value, "off without a permit", _OFF))

    def _check_echoes(self, frames: Sequence[Frame], now_ns: int) -> None:
        """Our own SYNC comes back when it has been on the wire: one that is old stands in a queue, before a stop."""
        most = ECHO_CYCLES * self.setup.period_ns
        oldest, echoed = 0, False
        for frame in frames:
            if frame[3] & SENT and frame[1] == self._sync.can_id and self._echoes:
                self._echoing = echoed = True
                oldest = max(oldest, frame.t_ns - self._echoes.popleft())
        self._queued = self._echoing and not echoed
        if self._echoes:
            oldest = max(oldest, now_ns - self._echoes[0])
        if not self._echoing:
            self._echoes.clear()
        elif oldest > most and self.powered:
            value = f"our own frames are on the wire after {oldest / 1e6:.1f} ms"
            self._object(Reason("adapter", "host", value, f"{most / 1e6:g} ms", _STOP))
            if oldest > self._drives_acted_ns:
                self._close_link()

    def _close_link(self) -> None:  # what stands in the adapter's queue must not come out later
        self.lost = True
        self.link.close()

    def _host_gone(self) -> str:
        if self.intruder:
            return self.intruder
        try:
            return self._host(self.link.now_ns())
        except Exception as error:  # noqa: BLE001
            return f"{type(error).__name__}: {error}"

    # ------------------------------------------------------------------ set-points
    def _set_points(self, player: Player, grant: Grant, instant_ns: int) -> None:
        row = player.at(instant_ns)
        if self._queued:
            self._sent.append(self._sent[-1])
            return
        for index in grant.axes:
            can_id, encode = self._encoders[index]
            frame = Frame(0, can_id, encode(row[index]))
            if refusal := self.gate.refusal(frame, grant, self.link.now_ns(), True):
                raise NotPermitted(refusal)
            if not self._transmit(frame):
                return
        self._sent.append(row)
        if instant_ns > player.void_ns and self.state.reaction is None:
            self._begin_lowering()
            self.state = self.state._replace(reaction=_LOWER)
            self._tell("lower then off: the hold after a stretch has ended and no further motion was asked for")

    def demand(self) -> tuple[Point, ...]:
        """The set-points sent last. Raises NotPermitted when the leg is not powered."""
        row = self._sent[-1]
        if row is None:
            raise NotPermitted("the leg is not energised")
        return row

    def _begin_lowering(self) -> None:
        """Go back, slowly and straight in actuator space, to where the unpowered leg rested before.

        It is begun once, however often it is asked for, and may be ended after the permit's own end.
        """
        row = self._sent[-1]
        if self._grant is None or row is None or (self._lowering is not None and self._lowering is self._player):
            return
        path = lowering(self.setup, row, self._rest, self.state.homed)
        self._player = self._lowering = Player(path, self._next + self.setup.period_ns)
        end = self._player.end_ns + 4 * self.setup.period_ns
        self._grant = self._grant._replace(end_ns=max(end, self._grant.end_ns))

    # ------------------------------------------------------------------ stopping
    def _object(self, reason: Reason) -> None:
        """Add a reason of the loop's own: the permit is void first, then the stop leaves, then it is told."""
        self.ledger.revoke(str(reason))
        if reason.reaction == _LOWER:
            if self.state.reaction is None:
                self.state = self.state._replace(reaction=_LOWER)
                self._begin_lowering()
        else:
            self._stop_now(reason.reaction)
        self._note((reason,))

    def _stop_now(self, reaction: Reaction) -> None:
        """Latch a stop, never a milder one than before, and send its frames at once to every axis."""
        before = self.state.reaction
        latched = reaction if before is None else min(reaction, before)
        if latched != before:
            speed = max(abs(axis.velocity) for axis in self.state.axes)
            until = self.link.now_ns() + self.rules.confirm_ns(latched, speed)
            self.state = self.state._replace(reaction=latched, until_ns=until, slowest=-1.0)
        self._push_out([frame for frames in self.rules.stop[latched] for frame in frames])

    def _push_out(self, frames: Sequence[Frame]) -> None:
        """Stop frames: each has its own try, and what went wrong is dealt with when all have had it."""
        failed: BaseException | None = None
        for frame in frames:
            try:
                self.link.send(frame)
            except BaseException as error:  # noqa: BLE001
                failed = failed or error
        if failed is not None:
            self.state = self.state._replace(said_ns=-1)
        elif frames and (self.state.said_ns is None or self.state.said_ns < 0):
            self.state = self.state._replace(said_ns=self.link.now_ns())
        if isinstance(failed, Exception):
            self.lost = self.lost or isinstance(failed, BusLost)
            self._note((Reason("adapter", "host", str(failed), "an adapter that takes every frame", _STOP),))
        elif failed is not None:
            raise failed

    def _note(self, reasons: Sequence[Reason]) -> None:
        """Keep and tell each reason once, however many passes it stands in."""
        seen = {(reason.rule, reason.subject, reason.reaction) for reason in self.reasons}
        fresh = [r for r in reasons if (r.rule, r.subject, r.reaction) not in seen]
        self.reasons += tuple(fresh)
        for reason in fresh:
            self._tell(f"{reason.reaction.name.lower().replace('_', ' ')}: {reason}")
        if self.powered and fresh:
            try:
                self._stopped(self.reasons)
            except Exception as error:  # noqa: BLE001
                self._tell(f"the stop could not be kept for the next run: {type(error).__name__}: {error}")

    def _fail(self, error: Exception) -> None:
        """A cycle of a powered leg was not completed. The second time our heartbeat ends as well."""
        self.cause = self.cause or error
        again = any(reason.rule == "monitor" for reason in self.reasons)
        if self.state.reaction == _STOP and self.link.now_ns() > self.state.until_ns:
            self._stop_now(_OFF)
        value = f"{type(error).__name__}: {error}"
        self._object(Reason("monitor", "host", value, "a pass without an exception", _STOP))
        if again and not self.state.silent:
            self.state = self.state._replace(silent=True)
            self._tell(f"the monitor fails and the heartbeat has ended: {PRESS}")

    # ------------------------------------------------------------------ timing
    def reset_timing(self) -> None:
        self._lateness: list[int] = []
        self._missed = self._expected = self._arrived = 0

    def timing(self) -> TimingCounts:
        """Timing since the last call."""
        lost = max(0, self._expected - self._arrived)
        counts = TimingCounts(tuple(self._lateness), self._missed, lost, self._expected)
        self.reset_timing()
        return counts
