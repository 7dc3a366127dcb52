"""Object accesses in a stretch of frames: what was asked of a drive, what it answered, and when (CiA 301, SDO)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from legtest.canbus.bits import frame_bits
from legtest.canbus.frame import SENT, Frame

_REQUEST, _ANSWER = 0x600, 0x580


class Access(NamedTuple):
    """One answered request. entry: index of the object. data: what was written or read, b"" for an abort. wire_s: the
    answer's own length on the bus.
    """

    entry: int
    sub: int
    writes: bool
    data: bytes
    asked_ns: int
    answered_ns: int
    wire_s: float

    @property
    def reply_s(self) -> float:
        """From the end of the request to the beginning of the answer."""
        return (self.answered_ns - self.asked_ns) * 1e-9 - self.wire_s


def accesses(frames: Sequence[Frame], node: int, bit_rate: float) -> Iterator[Access]:
    """The expedited accesses of one drive, in order; a request whose answer is missing is left out."""
    asked: Frame | None = None
    for frame in frames:
        if len(frame.data) != 8:
            continue
        if frame.can_id == _REQUEST + node and frame.flags & SENT:
            asked = frame
        elif frame.can_id == _ANSWER + node and asked is not None and asked.data[1:4] == frame.data[1:4]:
            yield _access(asked, frame, bit_rate)
            asked = None


def _access(asked: Frame, answer: Frame, bit_rate: float) -> Access:
    writes = asked.data[0] & 0xE0 == 0x20
    command, data = (asked if writes else answer).data[0], (asked if writes else answer).data[4:8]
    length = 4 - (command >> 2 & 3) if command & 1 else 4
    return Access(
        entry=asked.data[1] | asked.data[2] << 8,
        sub=asked.data[3],
        writes=writes,
        data=b"" if answer.data[0] == 0x80 else data[:length],
        asked_ns=asked.t_ns,
        answered_ns=answer.t_ns,
        wire_s=frame_bits(answer.can_id, answer.data) / bit_rate,
    )
