"""All that the host can do to a leg, and nothing more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, Protocol

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.safety.permit import Permit
from legtest.safety.stretch import Stretch


class PrecheckStep(NamedTuple):
    """One passed step: what was asked, what was measured. Figures SI by name.

    lost: what the step could not show because a drive lacks what it needs, and what stands in for it; "" = nothing.
    """

    name: str
    found: str
    figures: Mapping[str, float]
    lost: str = ""


class PrecheckReport(NamedTuple):
    """Every step passed (a refusal raises), how long it took on the bus' clock, the key earned and when that ends."""

    steps: tuple[PrecheckStep, ...]
    duration_ns: int
    permit: Permit
    end_ns: int


class TimingCounts(NamedTuple):
    """Raw timing of the cycles since the last call: latenesses in ns, slots left out, telemetry lost of expected."""

    lateness_ns: tuple[int, ...]
    missed: int
    lost: int
    expected: int


class LineSink(Protocol):
    """Where log lines go; a file, or anything with write."""

    def write(self, data: bytes, /) -> object: ...


class Port(Protocol):
    """What a bench holds.

    DirectPort runs the loop in this process; a keeper process can stand behind the same calls.
    """

    @property
    def frames_seen(self) -> int:
        """How many frames `pump` has returned; equals the number of lines in the frame log read so far."""
        ...

    def now_ns(self) -> int: ...

    def precheck(self) -> PrecheckReport:
        """Run every step; raises PrecheckRefused. The only source of a permit."""
        ...

    def scan(self) -> tuple[PrecheckStep, ...]:
        """The steps without power, and no permit; leaves the nodes operational, so that `pump` brings telemetry.

        Raises PrecheckRefused, NotPermitted.
        """
        ...

    def energise(self, key: Permit) -> None:
        """Enable every axis the key covers, holding where the leg is. Raises NotPermitted, LegStopped."""
        ...

    def play(self, stretch: Stretch, key: Permit) -> None:
        """Replace what is left of the motion by this table; checked whole first. Raises NotPermitted."""
        ...

    def pump(self, until_ns: int) -> list[Frame]:
        """Let time pass until the instant; frames received and sent, in order. Raises LegStopped, BusLost."""
        ...

    def lower_and_off(self) -> None:
        """The normal end of a powered phase: back to where the leg rested, then off. Raises LegStopped."""
        ...

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        """Tell the unpowered drives where they are (actuator angles). Raises NotPermitted, DriveError."""
        ...

    def stop(self, reaction: Reaction, why: str) -> None:
        """Bring the leg to rest. Idempotent, needs no key, never raises."""
        ...

    def timing(self) -> TimingCounts:
        """Timing since the last call of this; starts a new count."""
        ...

    def close(self) -> None:
        """Power off, let go of the bus, flush the logs."""
        ...
