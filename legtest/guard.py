"""The host's side of a port: one thread, one process, a stop that stays, interruptions that leave nothing half done.

And the order of energy classes, which is the host's business as well. All this is no fence against malice: code of the
same process can take it away. It finds mistakes before they reach the leg; what a permit is worth, and the limits, are
kept on the loop's side.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from typing import TypeVar

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import LegStopped, NotPermitted, NotRun
from legtest.records.segment import Timing
from legtest.safety.direct import DirectPort
from legtest.safety.permit import Permit
from legtest.safety.port import Port, PrecheckReport, PrecheckStep
from legtest.safety.stretch import Stretch

T = TypeVar("T")
TORQUE_CAPPED, FREE_MOTION, IMPACT = 1, 2, 3
SLICE_NS = 250_000_000  # of bus time, after which an interruption is noticed in any case


class Interruption:
    """What a signal asks for while the loop is in the middle of a cycle. As the loop's `host`, it stops the leg."""

    def __init__(self) -> None:
        self.pending: BaseException | None = None

    def __call__(self, now_ns: int) -> str:
        """Why the leg must stop now, "" = it need not."""
        return "" if self.pending is None else f"interrupted by {name_of(self.pending)}"


def name_of(error: BaseException) -> str:
    """What a person is told an interruption was."""
    return str(error) or type(error).__name__


class EnergyOrder:
    """Which energy classes may run: 0 none, 1 torque-capped, 2 free motion, 3 impact or heat.

    allowed: the highest. strict: 3 needs a test of 2 passed before, as on every bench with a real leg.
    """

    def __init__(self) -> None:
        self.allowed, self.strict = IMPACT, False
        self._begun: set[int] = set()  # in this test
        self._passed: set[int] = set()  # in those before

    def begin(self, energy_class: int, name: str) -> None:
        """Raises NotRun when the class is not allowed, or not yet."""
        if energy_class > self.allowed:
            raise NotRun(f"{name}: energy class {energy_class}; this bench is permitted {self.allowed} at most")
        if self.strict and energy_class >= IMPACT and FREE_MOTION not in self._passed:
            raise NotRun(f"{name}: energy class {energy_class} comes after a passed test of class {FREE_MOTION}")
        self._begun.add(energy_class)

    def begin_test(self) -> None:
        """Nothing has begun in this test yet."""
        self._begun = set()

    def test_passed(self) -> None:
        """Only a passed test opens the next class."""
        self._passed |= self._begun


class GuardedPort:
    """A port for the one thread of the one process that opened it.

    Another thread is refused and the leg is stopped; a forked copy is refused and does nothing. `stopped`: why the leg
    was stopped; from then on it is neither energised nor moved, whatever became of the exception that said so.
    """

    def __init__(self, port: Port, interruption: Interruption) -> None:
        self.stopped: LegStopped | None = None
        self._port, self._interruption = port, interruption
        self._pid, self._thread = os.getpid(), threading.get_ident()
        self._depth = 0  # of calls in progress
        self._stopping = self._closed = self._expected = False
        self._intruder = ""
        # In this very process a cycle is finished first; the far side of a pipe is told at once.
        self._finishes = isinstance(port, DirectPort)

    @property
    def is_ours(self) -> bool:
        """Whether this process opened the bench, and is no forked copy of the one that did."""
        return os.getpid() == self._pid

    @property
    def frames_seen(self) -> int:
        return self._port.frames_seen

    def now_ns(self) -> int:
        return self._port.now_ns()

    def expect_stop(self) -> None:
        """A person has just pressed the emergency stop: the one stop that follows from it does not stay in our books.

        It stops the leg like any other, and what was permitted is void on the loop's side: only a new pre-check brings
        the power back. With the next power on nothing is expected any more.
        """
        self._expected = True

    # ------------------------------------------------------------------ calls that move or may lead to motion
    def scan(self) -> tuple[PrecheckStep, ...]:
        return self._call(self._port.scan)

    def precheck(self) -> PrecheckReport:
        return self._call(self._port.precheck)

    def energise(self, key: Permit) -> None:
        self._expected = False
        self._call(self._port.energise, key)

    def play(self, stretch: Stretch, key: Permit) -> None:
        self._call(self._port.play, stretch, key)

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        self._call(self._port.set_home, positions_rad, key)

    # ------------------------------------------------------------------ calls that are good after a stop, too
    def pump(self, until_ns: int) -> list[Frame]:
        if self._closed and until_ns <= self.now_ns():
            return []  # a power context that is left when everything is over
        frames = self._call(self._port.pump, min(until_ns, self.now_ns() + SLICE_NS), after_stop=True)
        while self.now_ns() < until_ns:
            frames += self._call(self._port.pump, min(until_ns, self.now_ns() + SLICE_NS), after_stop=True)
        return frames

    def lower_and_off(self) -> None:
        self._call(self._port.lower_and_off, after_stop=True)

    def timing(self, period_ns: int) -> Timing:
        """Timing of the cycles since the last call, summed up."""
        counts = self._call(self._port.timing, after_stop=True)
        late = sorted(counts.lateness_ns) or [0]

        def quantile(share: float) -> int:
            return late[min(len(late) - 1, int(share * len(late)))]

        return Timing(
            len(counts.lateness_ns), period_ns, quantile(0.5), quantile(0.99), late[-1],
            counts.missed, counts.lost, counts.expected,
        )  # fmt: skip

    # ------------------------------------------------------------------ the end
    def stop(self, reaction: Reaction, why: str) -> None:
        """As Port.stop; does nothing in a forked copy, and leaves it to the owner's next call in another thread.

        Raises only the interruption that came meanwhile, once the leg is stopped.
        """
        if self._closed or not self.is_ours:
            return
        if threading.get_ident() != self._thread:
            self._intruder = f"another thread stopped the bench: {why}"
            return
        if self._intruder and self.stopped is None:
            self.stopped = LegStopped(f"the leg was stopped: {self._intruder}")
        self._stop(reaction, why)
        self._deliver()

    def fail(self, error: BaseException) -> None:
        """Stop because of what was raised while the leg was powered; nothing when everything is over already."""
        if not self._closed:
            self.stop(Reaction.STOP_THEN_OFF, f"{type(error).__name__} in the test")

    def close(self) -> None:
        """As Port.close; does nothing in a forked copy."""
        if not self.is_ours:
            return
        if threading.get_ident() != self._thread:
            raise NotPermitted("another thread would close the bench: only the thread that opened it may")
        self._depth += 1
        try:
            self._port.close()
        finally:
            self._depth -= 1
            self._closed = True
        self._deliver()

    def interrupt(self, error: BaseException) -> None:
        """Called by a signal handler: stop the leg, then raise `error`.

        In the middle of a cycle, or of a stop, nothing is torn apart: the call in progress ends in order and raises it.
        """
        if not self.is_ours:
            raise error
        if self.stopped is None:
            self.stopped = LegStopped(f"the leg was stopped: interrupted by {name_of(error)}")
        if self._closed:
            raise error
        if self._stopping or (self._finishes and self._depth):
            self._interruption.pending = self._interruption.pending or error
            return
        self._stop(Reaction.STOP_THEN_OFF, f"interrupted by {name_of(error)}")
        self._interruption.pending = None  # one is enough
        raise error

    # ------------------------------------------------------------------ how a call is made
    def _call(self, call: Callable[..., T], *arguments: object, after_stop: bool = False) -> T:
        self._check(after_stop)
        self._depth += 1
        try:
            return call(*arguments)
        except LegStopped as error:
            self.stopped = self.stopped or (None if self._expected else error)
            self._expected = False
            raise
        finally:
            self._depth -= 1
            if self._depth == 0:
                self._deliver()

    def _check(self, after_stop: bool) -> None:
        if not self.is_ours:
            raise NotPermitted("this process is a copy of the one that opened the bench: it may not use it")
        if threading.get_ident() != self._thread:
            self._intruder = "another thread used the bench"
            raise NotPermitted("only the thread that opened the bench may use it; the leg is stopped")
        if self._intruder and self.stopped is None:
            self.stopped = LegStopped(f"the leg was stopped: {self._intruder}")
            self._stop(Reaction.STOP_THEN_OFF, self._intruder)
            raise LegStopped(*self.stopped.args)
        if self.stopped is not None and not after_stop:
            raise LegStopped(*self.stopped.args)

    def _stop(self, reaction: Reaction, why: str) -> None:
        self._stopping = True
        try:
            self._port.stop(reaction, why)
        finally:
            self._stopping = False

    def _deliver(self) -> None:
        error, self._interruption.pending = self._interruption.pending, None
        if error is not None:
            self._stop(Reaction.STOP_THEN_OFF, f"interrupted by {name_of(error)}")
            self._interruption.pending = None
            raise error
