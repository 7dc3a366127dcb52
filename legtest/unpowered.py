"""What a bench does beside motion: looking at unpowered drives, proving their reactions anew, asking for hands.

Nothing here moves the leg but the pre-check, whose trial motions are its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from legtest.canbus.frame import Frame
from legtest.errors import UsageError
from legtest.guard import GuardedPort
from legtest.hands import Hands
from legtest.recording import Recording
from legtest.records.segment import Span
from legtest.safety.permit import Permit


class Unpowered:
    """The half of a bench that needs no permit; see `legtest.bench.Bench` for the other."""

    homed: bool
    _port: GuardedPort
    _hands: Hands
    _permit: Permit | None
    _powered: bool
    _recording: Recording | None
    _passive = False  # what is being recorded needs no permit

    def recording(
        self, procedure: str, joint: str | None, method: str, **arguments: Any
    ) -> AbstractContextManager[Recording]:
        raise NotImplementedError

    def _absorb(self, frames: list[Frame]) -> None:
        raise NotImplementedError

    def _let_pass(self, end_ns: int) -> None:
        raise NotImplementedError

    def _renew(self) -> Permit:
        raise NotImplementedError

    @contextmanager
    def observing(self, procedure: str, joint: str | None, method: str, **arguments: Any) -> Iterator[Recording]:
        """As `recording`, without a permit: for what is seen of a leg that has no power."""
        self._passive = True
        try:
            with self.recording(procedure, joint, method, **arguments) as recording:
                yield recording
        finally:
            self._passive = False

    @contextmanager
    def span(self, label: str) -> Iterator[None]:
        """Record the block under a label, even when it ends in an exception."""
        self._absorb(self._port.pump(self._port.now_ns()))
        first, recording = self._port.frames_seen, self._recording
        if recording is not None:
            recording.begin_span(first)
        try:
            yield
        finally:
            self._absorb(self._port.pump(self._port.now_ns()))
            if recording is not None and self._port.frames_seen > first:
                recording.end_span(Span(label, first, self._port.frames_seen))

    def look(self, label: str = "look") -> None:
        """Ask every drive who it is and write its settings, all without power; telemetry comes from then on.

        What was permitted before is void, and the leg does not know its zero any more. Raises PrecheckRefused.
        """
        self._unpowered("looking at the drives")
        self._permit, self.homed = None, False
        with self.span(label):
            self._port.scan()

    def prove(self, label: str = "prove") -> None:
        """Run the whole pre-check, whether its permit is still good or not. Raises PrecheckRefused."""
        self._unpowered("the pre-check")
        with self.span(label):
            self._renew()

    def watch(self, seconds: float, label: str = "watch") -> None:
        """Let time pass with the power off, recorded; telemetry comes if `look` or a pre-check was there before."""
        self._unpowered("watching")
        with self.span(label):
            self._let_pass(self._port.now_ns() + round(seconds * 1e9))

    def pose_by_hand(self, joints_rad: Sequence[float]) -> None:
        """Have the limp leg held near these joint angles, rad, until `let_go`. Raises NotRun."""
        self._unpowered("posing the leg by hand")
        self._hands.pose([float(angle) for angle in joints_rad])

    def let_go(self) -> None:
        """Nobody holds the leg any more."""
        self._hands.let_go()

    def power_cycle(self) -> None:
        """Have the supply of the unpowered drives switched off and on; what was permitted is void. Raises NotRun."""
        self._unpowered("switching the supply")
        self._hands.power_cycle()
        self._permit, self.homed = None, False

    def press_emergency_stop(self) -> tuple[int, float]:
        """Have the emergency stop pressed: instant (ns) by its own contact, half width (s). Raises NotRun.

        The LegStopped that comes of it is raised like any other, but once the emergency stop is released the bench can
        be used again. Every other stop stays.
        """
        pressed = self._hands.emergency_stop(pressed=True)
        self._port.expect_stop()
        return pressed

    def release_emergency_stop(self) -> None:
        """Have the emergency stop released. Nothing moves by that; a pre-check comes before the next motion."""
        self._unpowered("releasing the emergency stop")
        self._hands.emergency_stop(pressed=False)
        self._permit, self.homed = None, False

    def set_hook(self, height_m: float) -> None:
        """Have a hook set that catches the carriage when the hip comes up to this height above the floor.

        Raises NotRun.
        """
        self._unpowered("setting the hook")
        self._hands.set_hook(float(height_m))

    def pull_hook(self) -> None:
        """Have the hook pulled, from where nobody is in reach of the leg: the carriage falls. Raises NotRun."""
        self._hands.pull_hook()

    def _unpowered(self, what: str) -> None:
        if self._powered:
            raise UsageError(f"{what} is done with the power off: leave `with bench.energised()` first")
