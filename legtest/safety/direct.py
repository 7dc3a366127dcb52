"""A port onto a loop in this very process: the simulation's, and a rehearsal's."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import LegtestError, NotPermitted
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckReport, TimingCounts
from legtest.safety.precheck import run_precheck
from legtest.safety.stretch import Stretch


class DirectPort:
    """Port without a process border. `may_energise` answers why power is refused now, "" = it may."""

    def __init__(self, loop: Loop, may_energise: Callable[[], str]) -> None:
        self._loop = loop
        self._may_energise = may_energise
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

    def _check_allowed(self) -> None:
        if self._closed:
            raise NotPermitted("the bench is closed")
        refusal = self._may_energise()
        if refusal:
            raise NotPermitted(refusal)

    def energise(self, key: Permit) -> None:
        self._check_allowed()
        self._loop.energise(key)

    def play(self, stretch: Stretch, key: Permit) -> None:
        self._loop.play(stretch, key)

    def pump(self, until_ns: int) -> list[Frame]:
        frames = self._loop.pump(until_ns)
        self._seen += len(frames)
        return frames

    def lower_and_off(self) -> None:
        self._loop.lower_and_off()

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        self._check_allowed()
        self._loop.set_home(positions_rad, key)

    def stop(self, reaction: Reaction, why: str) -> None:
        self._loop.stop(reaction, why)

    def timing(self) -> TimingCounts:
        return self._loop.timing()

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        self._loop.stop(Reaction.LOWER_THEN_OFF, "the bench is closed")
        with suppress(LegtestError):  # the bus is already gone; the drives act by themselves
            self._loop.link.close()
