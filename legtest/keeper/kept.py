"""One host, one pipe, one loop: what the keeper does between its first word and its last."""

from __future__ import annotations

import os
import select
import socket
from collections import deque
from contextlib import suppress
from functools import partial

from legtest.canbus.link import Link
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import BusLost, LegStopped, LegtestError, LinkError, NotPermitted, RecordError
from legtest.keeper import latch, messages
from legtest.keeper.codec import to_json
from legtest.keeper.errors import refusal
from legtest.keeper.identity import identity_of
from legtest.keeper.messages import Done, Open
from legtest.keeper.system import suspended_ns, today
from legtest.keeper.writer import Writer
from legtest.safety.direct import DirectPort
from legtest.safety.loop import Loop
from legtest.safety.monitor import Reason
from legtest.safety.port import PrecheckReport, PrecheckStep, TimingCounts
from legtest.safety.stretch import Stretch

IDLE_S = 0.02
MOST_AT_ONCE = 200  # messages read between two cycles
ROWS_AT_ONCE = 4  # parts of a table
FRAMES_AT_ONCE = 1000  # in one message
LATENESS_AT_ONCE = 5000
MOST_UNSENT = 20_000_000  # bytes that the host has not taken, before it counts as gone
MOST_ROWS = 2_000_000  # of one table
SUSPENDED_NS = 5_000_000
OFF_PASSES = 5  # cycles without power before work for a host that has gone is broken off; a stop needs one or two
_OTHERWISE = "the host speaks otherwise than agreed"

Result = PrecheckReport | tuple[PrecheckStep, ...] | TimingCounts | None


class HostGone(BaseException):
    """Nobody is there to go on for. Raised through unpowered work, past everything that answers an ordinary error."""


class Keeper:
    """The loop of one leg and the host it is moved for. fds: of the frame log and of the monitor's events.

    `gone`: why this ends, "" = it goes on; `closing`: the number of the call that asked for the end;
    `held`: what must live as long as this (the lock of the adapter).
    """

    def __init__(
        self, pipe: socket.socket, parent: int, opening: Open, link: Link, writer: Writer, fds: tuple[int, int]
    ) -> None:
        self.gone, self.closing = "", 0
        self.held: object = None
        self._pipe, self._parent, self._opening, self._link = pipe, parent, opening, link
        self._writer, (self._frames_fd, self._events_fd) = writer, fds
        self._waiting: deque[messages.Message] = deque()
        self._rows: list[messages.Rows] = []
        self._out: deque[bytes] = deque()
        self._unsent = self._told = self._lines = self._off_passes = 0
        self._heard_ns = self._until_ns = 0
        self._busy = False  # with a call of the host
        self._slept_ns = suspended_ns()
        # Asked now: a plug that has been pulled has no name any more, and its stop must be found under this one.
        self._identity = identity_of(opening.interface, opening.channel)
        self._latch = latch.path_for(self._identity)
        self._loop = Loop(link, opening.setup, self, self.event, host=self.host, stopped=self.stopped)
        self._port = DirectPort(self._loop, lambda: "")

    # ------------------------------------------------------------------ the record
    def write(self, data: bytes) -> None:
        """The loop's frames, as lines. Raises OSError once the record has a hole: the loop lowers the leg then."""
        self._lines += data.count(b"\n")
        self._writer.write(self._frames_fd, data)
        self._check_record()

    def _check_record(self) -> None:
        if self._writer.problem:
            raise OSError(self._writer.problem)

    def event(self, text: str) -> None:
        """Something a reader should know: to the host, and into the record with the number of frames so far."""
        self._send(messages.Event(text[:4000]))
        self._writer.write(self._events_fd, to_json((self._link.now_ns(), self._lines, text)) + b"\n")
        self._check_record()

    def stopped(self, reasons: tuple[Reason, ...]) -> None:
        """The monitor stops the leg: latched, unless it was for the host or the record and says nothing of the leg."""
        words = tuple(str(reason) for reason in reasons if reason.rule not in ("host", "record"))
        if words:
            self._writer.call(partial(latch.set, self._latch, self._identity, words, today()))

    # ------------------------------------------------------------------ the pipe
    def host(self, now_ns: int) -> str:
        """Asked in every cycle: why the leg must stop because of its host, "" = all is well.

        Raises HostGone when that comes in the middle of unpowered work.
        """
        self._hear(now_ns)
        self._tell()
        why = self.gone
        if self._busy and not why:  # else a stop is carried out in its turn, the way it asks for
            why = next((f"asks to stop: {m.why}" for m in self._waiting if isinstance(m, messages.Stop)), "")
        if self._loop.powered:
            self._off_passes = 0
            silence = now_ns - self._heard_ns
            return why or (f"silent for {silence / 1e6:.0f} ms" if silence > self._opening.beat_ns else "")
        self._off_passes += 1
        if why and self._off_passes > OFF_PASSES:
            raise HostGone(why)
        return ""

    def _hear(self, now_ns: int) -> None:
        """Take what has come, and notice what does not come any more."""
        rows = 0
        for _ in range(MOST_AT_ONCE):
            try:
                packet = self._pipe.recv(messages.LONGEST + 1)
                if not packet:
                    self.end("the host has ended")
                    break
                message = messages.decode(packet)
            except BlockingIOError:
                break
            except ConnectionResetError:  # it has left something unread
                self.end("the host has ended")
                break
            except (OSError, LinkError) as error:
                self.end(f"{_OTHERWISE}: {error}")
                break
            self._heard_ns = now_ns
            if isinstance(message, messages.Beat):
                self._until_ns = message.until_ns
                continue
            self._waiting.append(message)
            rows += isinstance(message, messages.Rows)
            if rows == ROWS_AT_ONCE and self._loop.powered:
                break  # the rest of a table in the cycles to come: reading one takes half a millisecond
        if os.getppid() != self._parent:  # a forked child of the host may keep its end of the pipe open
            self.end("the host has ended")
        slept = suspended_ns()
        if slept is not None and abs(slept - (self._slept_ns or slept)) > SUSPENDED_NS:
            self.end("the computer was suspended")

    def end(self, why: str) -> None:
        """Stop the leg and end with the next cycle; the first reason counts."""
        self.gone = self.gone or why

    def _send(self, message: messages.Message) -> None:
        packet = messages.encode(message)
        self._unsent += len(packet)
        self._out.append(packet)
        if self._unsent > MOST_UNSENT:
            self.end("the host does not listen")

    def _tell(self) -> None:
        """Frames of the loop, and whatever else waits, as far as the pipe takes it now."""
        frames, self._loop.outbox = self._loop.outbox, []
        for start in range(0, len(frames), FRAMES_AT_ONCE):
            part = tuple(frames[start : start + FRAMES_AT_ONCE])
            self._send(messages.Frames(self._told, part))
            self._told += len(part)
        with suppress(OSError):  # a full pipe waits for its host; a host that is gone is noticed by _hear
            while self._out:
                self._pipe.send(self._out[0])
                self._unsent -= len(self._out.popleft())

    # ------------------------------------------------------------------ the work
    def serve(self) -> None:
        """Until the host has ended or asks for the end; the leg is off then. Raises LinkError when the bus is lost."""
        try:
            while not self.gone:
                self._pass()
        except HostGone as error:
            self.end(str(error))
        finally:
            self._busy = True
            try:
                self._loop.stop(Reaction.STOP_THEN_OFF, self.gone or "the keeper ends")
            finally:
                with suppress(LegtestError):
                    self._link.close()
                self._tell()

    def _pass(self) -> None:
        try:
            if self._loop.powered or self._link.now_ns() < self._until_ns:
                self._loop.run(1)
            else:
                select.select([self._pipe], [], [], IDLE_S)
                # A permit is worth something only as long as its drives are seen: SYNC makes them say how they are.
                self._loop.run(1) if self._loop.ledger.live else self._loop.listen(0)
                self._hear(self._link.now_ns())
        except LegStopped as error:
            self._tell()
            self._send(messages.Stopped(str(error)[:8000]))
        self._tell()
        while self._waiting and not self.gone:
            self._handle(self._waiting.popleft())

    def _handle(self, message: messages.Message) -> None:
        """One call of the host: carried out, then answered; frames that came before the answer go before it."""
        if isinstance(message, messages.Rows):
            self._rows.append(message)
            if sum(len(part.rows) for part in self._rows) > MOST_ROWS:
                self.end("the host sends a table without end")
            return
        number = getattr(message, "number", 0)
        if number <= 0:
            self.end(_OTHERWISE)
            return
        self._busy = True
        try:
            self._answer(number, self._carry_out(message))
        except HostGone as error:
            self._answer_with(number, NotPermitted(str(error)))
        except LegtestError as error:
            self._answer_with(number, error)
            if isinstance(error, BusLost):
                raise
        finally:
            self._busy = False

    def _carry_out(self, message: messages.Message) -> Result:
        port = self._port
        match message:
            case messages.Ask(_, "precheck" | "scan" as what):
                if self._writer.problem:
                    raise RecordError(f"the record cannot be written: {self._writer.problem}")
                return port.precheck() if what == "precheck" else port.scan()
            case messages.Ask(_, "lower"):
                port.lower_and_off()
            case messages.Ask(_, "timing"):
                return port.timing()
            case messages.Ask(number, "close"):
                self._loop.stop(Reaction.LOWER_THEN_OFF, "the bench is closed")
                self.closing, self.gone = number, "closed"
            case messages.Energise(_, key):
                port.energise(key)
            case messages.Play(_, key, axes, count, hold_ns):
                port.play(self._table(axes, count, hold_ns), key)
            case messages.SetHome(_, positions, key):
                port.set_home(positions, key)
            case messages.Stop(_, reaction, why):
                port.stop(reaction, why)
            case _:
                self.end(_OTHERWISE)
        return None

    def _table(self, axes: tuple[str, ...], count: int, hold_ns: int) -> Stretch:
        parts, self._rows = self._rows, []
        times: list[int] = []
        rows: list[tuple[Point, ...]] = []
        for part in parts:
            times += part.times_ns
            rows += part.rows
        if len(rows) != count or any(len(row) != len(axes) for row in rows):
            raise LinkError("a table of set-points came in pieces that do not fit together")
        return Stretch(axes, tuple(times), tuple(rows), hold_ns)

    def _answer(self, number: int, result: Result) -> None:
        self._tell()
        if isinstance(result, TimingCounts):
            late = result.lateness_ns
            while len(late) > LATENESS_AT_ONCE:
                self._send(Done(0, TimingCounts(late[:LATENESS_AT_ONCE], 0, 0, 0)))
                late = late[LATENESS_AT_ONCE:]
            result = result._replace(lateness_ns=late)
        if number != self.closing:  # that one is answered when the files are closed
            self._send(Done(number, result))
        self._tell()

    def _answer_with(self, number: int, error: LegtestError) -> None:
        self._tell()
        self._send(refusal(number, error))
        self._tell()
