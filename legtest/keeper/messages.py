"""What host and keeper say to each other: a fixed set of messages, each a packet with a first byte for its kind.

All of them are JSON but the two that carry much: frames to the host, rows of set-points to the keeper.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Literal, NamedTuple

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import LinkError
from legtest.keeper.codec import from_json, to_json
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckReport, PrecheckStep, TimingCounts
from legtest.safety.setup import Setup

LONGEST = 131_072  # bytes of a message; a socket's usual buffer holds it
_point = Point._make
_FRAME, _ROWS = struct.Struct("<qIBB"), struct.Struct("<BH")
_HIGHEST_FLAGS, _HIGHEST_ID, _LONGEST_DATA = 0x3F, 0x1FFFFFFF, 64


Question = Literal["precheck", "scan", "lower", "timing", "close"]


class Open(NamedTuple):
    """The first message: what to open and what to keep.

    rehearsal: the channel must prove to be one; otherwise it must not be a pseudo-terminal. beat_ns: longest silence
    of the host while the leg is powered.
    """

    setup: Setup
    interface: str
    channel: str
    bit_rate: int
    rehearsal: bool
    beat_ns: int


class Beat(NamedTuple):
    """The host lives, and lets time pass until then (nanoseconds of the link)."""

    until_ns: int


class Ask(NamedTuple):
    """One of the calls without an argument."""

    number: int
    what: Question


class Energise(NamedTuple):
    number: int
    key: Permit


class Rows(NamedTuple):
    """A part of a table of set-points, which the next Play ends: instants and one Point for each axis."""

    times_ns: tuple[int, ...]
    rows: tuple[tuple[Point, ...], ...]


class Play(NamedTuple):
    """Play the rows that came since the last Play."""

    number: int
    key: Permit
    axes: tuple[str, ...]
    length: int
    hold_ns: int


class SetHome(NamedTuple):
    number: int
    positions_rad: Mapping[str, float]
    key: Permit


class Stop(NamedTuple):
    number: int
    reaction: Reaction
    why: str


class Hello(NamedTuple):
    """The adapter is open; its link began at this instant of the monotonic clock."""

    opened_ns: int


class Frames(NamedTuple):
    """Frames received and sent, in the order of the frame log; first: how many were there before them."""

    first: int
    frames: tuple[Frame, ...]


class Event(NamedTuple):
    text: str


class Stopped(NamedTuple):
    """The monitor stopped the leg, and it is off as far as it can be."""

    text: str


class Done(NamedTuple):
    """A call is carried out. Timing comes in parts, all but the last with number 0."""

    number: int
    result: PrecheckReport | tuple[PrecheckStep, ...] | TimingCounts | None


class Refused(NamedTuple):
    """A call ended with one of our own errors; words: what it is made of. Number 0: the keeper ends because of it."""

    number: int
    error: str
    words: tuple[str, ...]
    powered: bool


Message = (
    Open | Beat | Ask | Energise | Rows | Play | SetHome | Stop | Hello | Frames | Event | Stopped | Done | Refused
)
_KINDS: tuple[type[Message], ...] = (
    Open, Beat, Ask, Energise, Rows, Play, SetHome, Stop, Hello, Frames, Event, Stopped, Done, Refused,
)  # fmt: skip
_NUMBER = {kind: bytes((number,)) for number, kind in enumerate(_KINDS)}


def encode(message: Message) -> bytes:
    """The packet of a message. Raises LinkError for one that is too long, or holds what no message can."""
    try:
        if isinstance(message, Frames):
            body = b"".join([struct.pack("<Q", message.first), *map(_frame_bytes, message.frames)])
        elif isinstance(message, Rows):
            body = _rows_bytes(message)
        else:
            body = to_json(message)
    except struct.error as error:
        raise LinkError(f"a number does not fit into its message: {error}") from error
    packet = _NUMBER[type(message)] + body
    if len(packet) > LONGEST:
        raise LinkError(f"a message of {len(packet)} bytes is longer than {LONGEST}")
    return packet


def decode(packet: bytes) -> Message:
    """The message in a packet; raises LinkError for anything that `encode` does not make."""
    if not 1 <= len(packet) <= LONGEST or packet[0] >= len(_KINDS):
        raise LinkError(f"a packet of {len(packet)} bytes that is no message: {packet[:20].hex()}")
    kind, body = _KINDS[packet[0]], packet[1:]
    try:
        if kind is Frames:
            return _frames_of(body)
        if kind is Rows:
            return _rows_of(body)
    except struct.error as error:
        raise LinkError(f"a packet that was cut: {error}") from error
    return from_json(kind, body)


def _frame_bytes(frame: Frame) -> bytes:
    return _FRAME.pack(frame.t_ns, frame.can_id, frame.flags, len(frame.data)) + frame.data


def _frames_of(body: bytes) -> Frames:
    (first,) = struct.unpack_from("<Q", body)
    frames, at = [], 8
    while at < len(body):
        t_ns, can_id, flags, length = _FRAME.unpack_from(body, at)
        at += _FRAME.size
        data = body[at : at + length]
        at += length
        if flags > _HIGHEST_FLAGS or can_id > _HIGHEST_ID or length > _LONGEST_DATA or len(data) != length or t_ns < 0:
            raise LinkError("a packet of frames with one that CAN does not have")
        frames.append(Frame(t_ns, can_id, data, flags))
    return Frames(first, tuple(frames))


def _rows_bytes(message: Rows) -> bytes:
    width = len(message.rows[0]) if message.rows else 0
    row = struct.Struct(f"<q{3 * width}d")
    parts = [_ROWS.pack(width, len(message.rows))]
    parts += [
        row.pack(t_ns, *(value for point in points for value in point))
        for t_ns, points in zip(message.times_ns, message.rows, strict=True)
    ]
    return b"".join(parts)


def _rows_of(body: bytes) -> Rows:
    width, count = _ROWS.unpack_from(body)
    row = struct.Struct(f"<q{3 * width}d")
    if len(body) != _ROWS.size + count * row.size:
        raise LinkError("a packet of set-points that was cut, or goes on after its end")
    times, rows = [], []
    for t_ns, *values in row.iter_unpack(body[_ROWS.size :]):
        if not isfinite(sum(values)) and not all(map(isfinite, values)):
            raise LinkError("a set-point that is no number")
        times.append(t_ns)
        three = iter(values)
        rows.append(tuple(map(_point, zip(three, three, three, strict=True))))
    return Rows(tuple(times), tuple(rows))


def parts_of(times_ns: Sequence[int], rows: Sequence[tuple[Point, ...]]) -> list[Rows]:
    """A table in messages short enough for the pipe."""
    at_once = max(1, 16_384 // (8 + 24 * max(1, len(rows[0]) if rows else 1)))
    return [
        Rows(tuple(times_ns[i : i + at_once]), tuple(rows[i : i + at_once])) for i in range(0, len(rows), at_once)
    ]
