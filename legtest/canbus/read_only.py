"""A link that lets reads out and nothing else: nothing that is sent through it can change a drive, let alone move one.

What may leave is checked frame by frame, whoever wrote the caller: requests to read an object (CiA 301, SDO upload and
its segments) and the remote frame that asks a node for its state (node guarding).
"""

from __future__ import annotations

from legtest.canbus.frame import REMOTE, Frame
from legtest.canbus.link import Link
from legtest.errors import NotPermitted

_READ_COMMANDS = (0x40, 0x60, 0x70)


class ReadOnlyLink:
    """A `Link` on another one."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def now_ns(self) -> int:
        """Nanoseconds since the link was opened."""
        return self._link.now_ns()

    def send(self, frame: Frame) -> None:
        """Send a read. Raises NotPermitted for anything else, BusBusy, BusLost."""
        _, can_id, data, flags = frame
        read = 0x601 <= can_id <= 0x67F and not flags and len(data) == 8 and data[0] in _READ_COMMANDS
        guard = 0x701 <= can_id <= 0x77F and flags == REMOTE and len(data) == 1
        if not (read or guard):
            raise NotPermitted(f"frame 0x{can_id:X}: a scan only reads, and this frame is no read")
        self._link.send(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        """As of the link. Raises BusLost."""
        return self._link.pump(until_ns)

    def close(self) -> None:
        """Let go of the bus; harmless when repeated."""
        self._link.close()
