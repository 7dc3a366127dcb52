"""One CAN frame, the same shape on the bus, in the log, across processes and in replay."""

from __future__ import annotations

from typing import NamedTuple

EXTENDED = 1
FD = 2
BRS = 4
REMOTE = 8
ERROR = 16
SENT = 32


class Frame(NamedTuple):
    """A CAN frame and the instant it ended.

    t_ns: integer nanoseconds since the link was opened; on a live bus the monotonic stamp of its arrival.
    can_id: 11 or 29 bits (`EXTENDED` in flags).
    data: 0..8 bytes, 0..64 with `FD`.
    flags: any of EXTENDED, FD, BRS, REMOTE, ERROR, SENT (sent by this host).
    """

    t_ns: int
    can_id: int
    data: bytes
    flags: int = 0


def frame(can_id: int, data: bytes = b"", flags: int = 0) -> Frame:
    """A checked frame to send (its time is set when it leaves).

    Raises ValueError for an identifier or a length that CAN does not have.
    """
    limit = 0x1FFFFFFF if flags & EXTENDED else 0x7FF
    if not 0 <= can_id <= limit:
        raise ValueError(f"CAN identifier 0x{can_id:X} is not within 0..0x{limit:X}")
    if len(data) > (64 if flags & FD else 8):
        raise ValueError(f"{len(data)} data bytes do not fit a {'CAN FD' if flags & FD else 'classical CAN'} frame")
    return Frame(0, can_id, data, flags)
