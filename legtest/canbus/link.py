"""The bus and its clock: the one seam between the loop and whatever carries frames.

Time passes only while somebody waits: `pump` is the only wait there is.
"""

from __future__ import annotations

from typing import Protocol

from legtest.canbus.frame import Frame


class Link(Protocol):
    """A CAN bus with its clock. Implementations: the simulation's virtual link, and the live link."""

    def now_ns(self) -> int:
        """Nanoseconds since the link was opened; never runs backwards."""
        ...

    def send(self, frame: Frame) -> None:
        """Queue one frame. Never blocks longer than a millisecond; raises BusBusy or BusLost."""
        ...

    def pump(self, until_ns: int) -> list[Frame]:
        """Wait until the absolute instant and return every frame received up to it, oldest first.

        Frames this host sent come back with the SENT flag and the instant they were on the wire
        (for a live adapter without echo: the instant they were handed over). Raises BusLost.
        """
        ...

    def close(self) -> None:
        """Let go of the bus; harmless when repeated."""
        ...
