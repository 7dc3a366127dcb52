"""A port onto a loop in this very process: the simulation's, a rehearsal's, and the keeper's own."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import LegtestError, NotPermitted
from legtest.safety.again import look_again
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckReport, PrecheckStep, TimingCounts
from legtest.safety.precheck import run_precheck, run_scan
from legtest.safety.stretch import Stretch


class DirectPort:
    """Port without a process border. `may_energise` answers why power is refused now, "" = it may.

    Only the thread and the process that made it may use it. A call from another thread is refused, and stops the leg in
    the next cycle of the right one; a forked process is refused and sends nothing.
    """

    def __init__(self, loop: Loop, may_energise: Callable[[], str]) -> None:
        self._loop = loop
        self._may_energise = may_energise
        self._owner = os.getpid(), threading.get_ident()
        self._seen = 0
        self._closed = False

    @property
    def frames_seen(self) -> int:
        return self._seen

    def now_ns(self) -> int:
        return self._loop.link.now_ns()

    def precheck(self) -> PrecheckReport:
        self._check_allowed()
        return run_precheck(self._loop)

    def scan(self) -> tuple[PrecheckStep, ...]:
        self._check_owner()
        if self._closed:
            raise NotPermitted("the bench is closed")
        return run_scan(self._loop)

    def energise(self, key: Permit) -> None:
        self._check_allowed()
        look_again(self._loop, key)
        self._loop.energise(key)

    def play(self, stretch: Stretch, key: Permit) -> None:
        self._check_owner()
        self._loop.play(stretch, key)

    def pump(self, until_ns: int) -> list[Frame]:
        self._check_owner()
        frames = self._loop.pump(until_ns)
        self._seen += len(frames)
        return frames

    def lower_and_off(self) -> None:
        self._check_owner()
        self._loop.lower_and_off()

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        self._check_allowed()
        self._loop.set_home(positions_rad, key)

    def stop(self, reaction: Reaction, why: str) -> None:
        if not self._intrusion(why):
            self._loop.stop(reaction, why)

    def timing(self) -> TimingCounts:
        return self._loop.timing()

    def close(self) -> None:
        if self._closed or self._intrusion("the bench is closed"):
            return
        self._closed = True
        self._loop.stop(Reaction.LOWER_THEN_OFF, "the bench is closed")
        with suppress(LegtestError):  # the bus is already gone; the drives act by themselves
            self._loop.link.close()

    def _check_allowed(self) -> None:
        self._check_owner()
        if self._closed:
            raise NotPermitted("the bench is closed")
        refusal = self._may_energise()
        if refusal:
            raise NotPermitted(refusal)

    def _check_owner(self) -> None:
        if intrusion := self._intrusion("a call"):
            raise NotPermitted(intrusion)

    def _intrusion(self, what: str) -> str:
        """Why the caller may not touch the leg; another thread is remembered, and the owner's next cycle stops."""
        process, thread = self._owner
        if os.getpid() != process:
            return "this process is a copy of the one that opened the bench"
        if threading.get_ident() == thread:
            return ""
        self._loop.intruder = f"{what} from another thread than the one that opened the bench"
        return self._loop.intruder
