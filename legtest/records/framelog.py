"""Reading a frame log: frame number n is line n + 1, and a line without its end is no frame.

A process that was killed while it wrote leaves half a line, which may well look like a whole frame with fewer bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import islice
from pathlib import Path
from typing import BinaryIO, NamedTuple

from legtest.canbus import candump
from legtest.canbus.frame import Frame
from legtest.errors import RecordError
from legtest.records.files import cannot_read, open_plain

LONGEST_LINE = 256  # a CAN FD frame of 64 bytes needs 185
LARGEST_LOG = 8 << 30  # five days of three drives at 250 cycles/s
MOST_AT_ONCE = 8_000_000  # frames in memory: half an hour of the same, about 2 GB
_CHUNK = 1 << 20


class Extent(NamedTuple):
    """How much of a frame log there is: whole lines, and whether the last was cut off while it was written."""

    frames: int
    torn: bool


def extent(path: Path, within: Path | None = None) -> Extent:
    """How many frames a log holds; none when there is no such file. Their form is not looked at.

    Raises RecordError when it cannot be read or is too large.
    """
    frames = size = 0
    last = b"\n"
    try:
        with open_plain(path, within) as file:
            while chunk := file.read(_CHUNK):
                size += len(chunk)
                frames += chunk.count(b"\n")
                if size > LARGEST_LOG:
                    raise RecordError(f"{path}: not read: larger than {LARGEST_LOG} bytes")
                last = chunk[-1:]
    except FileNotFoundError:
        return Extent(0, False)
    except OSError as error:
        raise cannot_read(path, error) from None
    return Extent(frames, last != b"\n")


def read_frames(path: Path, first: int, last: int, within: Path | None = None) -> list[Frame]:
    """Frames first..last (the last not included, counted from 0). Raises RecordError when they are not all there."""
    if last - first > MOST_AT_ONCE:
        raise RecordError(f"{path}: frames {first} to {last} cannot be read; at most {MOST_AT_ONCE} at once")
    return list(each_frame(path, first, last, within))


def each_frame(path: Path, first: int, last: int, within: Path | None = None) -> Iterator[Frame]:
    """As `read_frames`, one after the other and any number of them."""
    if not 0 <= first <= last:
        raise RecordError(f"{path}: frames {first} to {last} cannot be read")
    count = 0
    try:
        with open_plain(path, within) as file:
            try:
                for line in islice(_lines(file), first, last):
                    frame = candump.parse(line)
                    count += 1
                    yield frame
            except RecordError as error:
                raise RecordError(f"{path}: between lines {first + 1} and {last}: {error}") from None
    except OSError as error:
        raise cannot_read(path, error) from None
    if count != last - first:
        torn = "; its last line was cut off while it was written" if extent(path, within).torn else ""
        raise RecordError(f"{path}: ends before frame {last}: {count} of {last - first} frames are there{torn}")


def _lines(file: BinaryIO) -> Iterator[bytes]:
    """The whole lines; RecordError at one that is longer than any frame."""
    for line in iter(partial(file.readline, LONGEST_LINE + 1), b""):
        if line[-1:] == b"\n":
            yield line
        elif len(line) > LONGEST_LINE:
            raise RecordError(f"not a frame of a can-utils log: longer than {LONGEST_LINE} bytes: {line[:40]!r}")
