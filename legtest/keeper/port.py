"""The host's end of the pipe: a Port whose loop runs in the keeper."""

from __future__ import annotations

import gc
import os
import select
import subprocess
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import TypeVar

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import BusLost, LegStopped, LinkError, NotPermitted, RecordError
from legtest.keeper import messages
from legtest.keeper.errors import error_of
from legtest.keeper.messages import Ask, Beat, Done, Energise, Message, Play, Refused, SetHome, Stop
from legtest.keeper.start import Started
from legtest.keeper.system import monotonic_ns
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckReport, PrecheckStep, TimingCounts
from legtest.safety.stretch import Stretch

T = TypeVar("T")
BEAT_S = 0.02
QUIET_NS = 10_000_000_000  # without one word from the keeper while it is waited for
END_S = 15.0
_GONE = "the keeper has ended; the drives stop by themselves when nobody speaks to them"


class PipePort:
    """Port across a process border. `may_energise` answers why power is refused now, "" = it may.

    events: told what the loop notes. That this process lives, the keeper hears from the calls of the thread that made
    the port and from nothing else: a thread that beats would hide a test that hangs. Any other thread, and a forked
    copy of this process, is refused with NotPermitted. When the keeper is gone, every call raises BusLost at once.
    """

    def __init__(self, started: Started, may_energise: Callable[[], str], events: Callable[[str], None]) -> None:
        self._process, self._pipe, self._opened_ns = started
        self._may_energise, self._events = may_energise, events
        self._owner = os.getpid(), threading.get_ident()
        self._frames: list[Frame] = []
        self._seen = self._next = self._number = 0
        self._late: tuple[int, ...] = ()
        self._answers: dict[int, Done | Refused] = {}
        self._stopped: LegStopped | None = None
        self._lost: LinkError | None = None
        self._record = ""  # why the record is not whole
        self._closed = False
        self._heard_ns = 0

    @property
    def frames_seen(self) -> int:
        return self._seen

    def now_ns(self) -> int:
        return monotonic_ns() - self._opened_ns

    # ------------------------------------------------------------------ the calls of a port
    def precheck(self) -> PrecheckReport:
        with self._attended():
            return self._ask(PrecheckReport, "precheck")

    def scan(self) -> tuple[PrecheckStep, ...]:
        self._check_ours()
        return self._ask(tuple, "scan")

    def energise(self, key: Permit) -> None:
        with self._attended(and_after=True):
            self._call(lambda number: Energise(number, key))

    def play(self, stretch: Stretch, key: Permit) -> None:
        self._check_ours()
        for part in messages.parts_of(stretch.times_ns, stretch.rows):
            self._post(part)
        self._call(lambda number: Play(number, key, stretch.axes, len(stretch.rows), stretch.hold_ns))

    def pump(self, until_ns: int) -> list[Frame]:
        self._check_ours()
        while True:
            self._post(Beat(until_ns))
            left_s = (until_ns - self.now_ns()) * 1e-9
            self._receive(min(max(left_s, 0.0), BEAT_S))
            self._raise_if_stopped()
            if left_s <= 0.0:
                break
        frames, self._frames, self._seen = self._frames, [], self._next
        return frames

    def lower_and_off(self) -> None:
        self._check_ours()
        self._call(lambda number: Ask(number, "lower"))
        gc.enable()

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        with self._attended():
            self._call(lambda number: SetHome(number, positions_rad, key))

    def stop(self, reaction: Reaction, why: str) -> None:
        if self._owner != (os.getpid(), threading.get_ident()) or self._closed:
            return
        with suppress(LinkError, NotPermitted):  # the keeper is gone, and with it whoever could be asked
            self._wait(self._begin(lambda number: Stop(number, reaction, why[:1000])))
        gc.enable()

    def timing(self) -> TimingCounts:
        self._check_ours()
        counts = self._ask(TimingCounts, "timing")
        late, self._late = self._late, ()
        return counts._replace(lateness_ns=late + counts.lateness_ns)

    def close(self) -> None:
        """Power off, let go of the bus, end the keeper. Raises RecordError when its record is not whole."""
        if self._closed:
            return
        self._closed = True
        if self._owner[0] == os.getpid():
            with suppress(LinkError):
                self._wait(self._begin(lambda number: Ask(number, "close")))
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(END_S)
            gc.enable()
        self._pipe.close()
        if self._record:
            raise RecordError(self._record)

    # ------------------------------------------------------------------ who may, and when
    def _check_ours(self) -> None:
        pid, thread = self._owner
        if os.getpid() != pid:
            raise NotPermitted("this process is a copy of the one that opened the bench")
        if threading.get_ident() != thread:
            raise NotPermitted("only the thread that opened the bench may use it")
        if self._closed:
            raise NotPermitted("the bench is closed")

    @contextmanager
    def _attended(self, *, and_after: bool = False) -> Iterator[None]:
        """For what needs power: allowed now, and no garbage collected meanwhile, which can take longer than a beat."""
        self._check_ours()
        refusal = self._may_energise()
        if refusal:
            raise NotPermitted(refusal)
        gc.collect()
        gc.disable()
        done = False
        try:
            yield
            done = True
        finally:
            if not (done and and_after):
                gc.enable()

    # ------------------------------------------------------------------ the pipe
    def _ask(self, kind: type[T], what: messages.Question) -> T:
        result = self._call(lambda number: Ask(number, what))
        if not isinstance(result, kind):
            raise LinkError(f"the keeper does not speak as agreed: {result!r:.200}")
        return result

    def _call(self, make: Callable[[int], Message]) -> object:
        """Send a call and wait for its answer; a stop that came meanwhile is what is told."""
        answer = self._wait(self._begin(make))
        self._raise_if_stopped()
        if isinstance(answer, Refused):
            raise error_of(answer)
        return answer.result

    def _begin(self, make: Callable[[int], Message]) -> int:
        self._number += 1
        self._post(make(self._number))
        return self._number

    def _wait(self, number: int) -> Done | Refused:
        """The answer to a call. Raises BusLost when there will be none."""
        self._heard_ns = monotonic_ns()
        while number not in self._answers:
            if monotonic_ns() - self._heard_ns > QUIET_NS:
                self._lost = BusLost(f"the keeper does not answer (process {self._process.pid})")
            self._receive(BEAT_S)
            if number not in self._answers:
                self._post(Beat(0))
        return self._answers.pop(number)

    def _post(self, message: Message) -> None:
        """Send a message as soon as the pipe takes it. Raises BusLost."""
        packet = messages.encode(message)
        while self._lost is None:
            try:
                self._pipe.send(packet)
                return
            except BlockingIOError:
                select.select([self._pipe], [self._pipe], [], BEAT_S)
                self._receive(0.0)
            except OSError:
                self._receive(0.0)  # its last words
                self._lose()
        raise self._lost

    def _receive(self, wait_s: float) -> None:
        """Take everything the keeper has said; wait for its first word. Raises BusLost when it has ended."""
        if self._lost is None:
            select.select([self._pipe], [], [], wait_s)
        while self._lost is None:
            try:
                packet = self._pipe.recv(messages.LONGEST + 1)
            except BlockingIOError:
                return
            except ConnectionResetError:  # said once when it ended with something of ours unread; its last words follow
                continue
            except OSError:
                packet = b""
            if packet:
                self._heard_ns = monotonic_ns()
                self._take(messages.decode(packet))
            else:
                self._lose()
        if not self._answers:
            raise self._lost

    def _lose(self) -> None:
        if self._lost is None:
            self._lost = BusLost(_GONE)
            if self._closed and self._answers:
                return  # its last word was the answer to `close`
            self._record = self._record or "the keeper ended before its part of the record was closed"

    def _take(self, message: Message) -> None:
        match message:
            case messages.Frames(first, frames):
                self._frames += frames
                self._next = first + len(frames)
            case messages.Event(text):
                self._events(text)
            case messages.Stopped(text):
                self._stopped = LegStopped(text)
            case Done(0, TimingCounts() as part):
                self._late += part.lateness_ns
            case Refused(0):
                error = error_of(message)
                self._lost = error if isinstance(error, LinkError) else BusLost(str(error))
            case Done(number) | Refused(number):
                if isinstance(message, Refused) and message.error == "RecordError":
                    self._record = message.words[0]
                self._answers[number] = message
            case _:
                raise LinkError(f"the keeper does not speak as agreed: {message!r:.200}")

    def _raise_if_stopped(self) -> None:
        stopped, self._stopped = self._stopped, None
        if stopped is not None:
            gc.enable()
            raise stopped
