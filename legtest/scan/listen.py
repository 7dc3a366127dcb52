"""What frames tell by themselves: who speaks, how often, how much of the bus it takes, and what is destroyed.

Identifiers are read by the pre-defined connection set of CiA 301, error frames by the classes of linux/can/error.h,
which is how python-can hands them on where an adapter tells anything about them at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from legtest.canbus.bits import INTERFRAME_BITS, frame_bits
from legtest.canbus.frame import ERROR, EXTENDED, FD, REMOTE, SENT, Frame

STATES = {0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}
_FEW = 4  # heartbeats to tell a rhythm from chance
_UNEVEN, _STEADY = 1.5, 0.1  # ratio of neighbouring gaps; spread of the sums of two
_SERVICES = {0x000: "NMT command", 0x080: "SYNC", 0x100: "time stamp", 0x7E4: "LSS answer", 0x7E5: "LSS request"}
_BLOCKS = {
    0x080: "emergency", 0x180: "TPDO1", 0x200: "RPDO1", 0x280: "TPDO2", 0x300: "RPDO2", 0x380: "TPDO3", 0x400: "RPDO3",
    0x480: "TPDO4", 0x500: "RPDO4", 0x580: "SDO answer", 0x600: "SDO request", 0x700: "heartbeat",
}  # fmt: skip
OF_A_MASTER = ("NMT command", "SYNC", "SDO request", "RPDO1", "RPDO2", "RPDO3", "RPDO4", "LSS request")
UNKNOWN = "unknown"
_CLASSES = {
    0x001: "transmission timed out", 0x020: "not acknowledged", 0x040: "bus off", 0x080: "bus error",
}  # fmt: skip
_GARBLED = ("stuff error", "form error", "bit error", "bus error", "error frame")
_VIOLATIONS = {0x01: "bit", 0x02: "form", 0x04: "stuff", 0x08: "bit", 0x10: "bit"}


class Seen(NamedTuple):
    """One identifier. share: of the bus' time, 0..1. period_s: median gap, None for fewer than two frames."""

    can_id: int
    extended: bool
    kind: str
    node: int | None
    frames: int
    share: float
    period_s: float | None


class Emergency(NamedTuple):
    """An emergency message: node, error code and error register of CiA 301."""

    node: int
    code: int
    register: int


class Heard(NamedTuple):
    """Everything that frames told. states: by node, as the last heartbeat said; uneven: nodes that beat like two."""

    span_s: float
    frames: int
    seen: tuple[Seen, ...]
    states: Mapping[int, int]
    periods_s: Mapping[int, float]
    uneven: tuple[int, ...]
    emergencies: tuple[Emergency, ...]
    errors: Mapping[str, int]

    @property
    def load(self) -> float:
        """Part of the bus' time that was taken by frames that arrived whole, 0..1."""
        return sum(seen.share for seen in self.seen)

    @property
    def destroyed(self) -> int:
        """Error frames that tell of a frame that was destroyed."""
        return sum(self.errors.get(what, 0) for what in _GARBLED)

    @property
    def nodes(self) -> frozenset[int]:
        """Every node that spoke by itself, or as one that answers."""
        own = ("heartbeat", "emergency", "SDO answer", "TPDO1", "TPDO2", "TPDO3", "TPDO4")
        return frozenset(seen.node for seen in self.seen if seen.node is not None and seen.kind in own)


def kind_of(can_id: int, extended: bool) -> tuple[str, int | None]:
    """What an identifier is used for, and by or for which node."""
    if extended:
        return UNKNOWN, None
    if can_id in _SERVICES:
        return _SERVICES[can_id], None
    node, block = can_id & 0x7F, can_id & 0x780
    return (_BLOCKS[block], node) if block in _BLOCKS and node else (UNKNOWN, None)


def hear(frames: Sequence[Frame], span_ns: int, bit_rate: int) -> Heard:
    """Sum up what was received in a span. Frames sent by this host are left out.

    Load is counted exactly for classical frames, interframe space included; frames of CAN FD are not counted.
    """
    received = [frame for frame in frames if not frame.flags & SENT]
    sound = [frame for frame in received if not frame.flags & ERROR]
    by_id: dict[tuple[int, bool], list[Frame]] = {}
    for frame in sound:
        by_id.setdefault((frame.can_id, bool(frame.flags & EXTENDED)), []).append(frame)
    beats = {
        node: [f for f in group if len(f.data) == 1 and not f.flags & REMOTE and f.data[0] & 0x7F]
        for (can_id, extended), group in by_id.items()
        for kind, node in (kind_of(can_id, extended),)
        if kind == "heartbeat" and node is not None
    }
    gaps = {node: _gaps(group) for node, group in beats.items()}
    return Heard(
        span_s=span_ns * 1e-9,
        frames=len(sound),
        seen=tuple(_seen(*key, group, span_ns, bit_rate) for key, group in sorted(by_id.items())),
        states={node: group[-1].data[0] & 0x7F for node, group in beats.items() if group},
        periods_s={node: median(each) for node, each in gaps.items() if each},
        uneven=tuple(node for node, each in sorted(gaps.items()) if _like_two(each)),
        emergencies=tuple(
            Emergency(f.can_id & 0x7F, int.from_bytes(f.data[:2], "little"), f.data[2])
            for f in sound
            if kind_of(f.can_id, bool(f.flags & EXTENDED))[0] == "emergency" and len(f.data) == 8
        ),
        errors=Counter(what for f in received if f.flags & ERROR for what in error_words(f)),
    )


def error_words(frame: Frame) -> tuple[str, ...]:
    """What an error frame says; "error frame" where the adapter tells no more."""
    said = [words for bit, words in _CLASSES.items() if frame.can_id & bit]
    kinds = frame.data[2] if len(frame.data) > 2 else 0
    if frame.can_id & 0x008:
        said += [f"{words} error" for bit, words in _VIOLATIONS.items() if kinds & bit]
    return tuple(dict.fromkeys(said)) or ("error frame",)


def _seen(can_id: int, extended: bool, group: Sequence[Frame], span_ns: int, bit_rate: int) -> Seen:
    kind, node = kind_of(can_id, extended)
    classical = [f for f in group if not f.flags & FD]
    bits = sum(frame_bits(can_id, f.data, extended, bool(f.flags & REMOTE)) + INTERFRAME_BITS for f in classical)
    gaps = _gaps(group)
    share = bits / bit_rate / (span_ns * 1e-9) if span_ns else 0.0
    return Seen(can_id, extended, kind, node, len(group), share, median(gaps) if gaps else None)


def _gaps(group: Sequence[Frame]) -> list[float]:
    return [(later.t_ns - earlier.t_ns) * 1e-9 for earlier, later in pairwise(group)]


def _like_two(gaps: Sequence[float]) -> bool:
    """Short and long gaps in turn whose sums are steady: two rhythms of one period, shifted against each other.

    Two that beat exactly half a period apart, or together, cannot be told from one by this.
    """
    if len(gaps) < _FEW:
        return False
    sums = [a + b for a, b in pairwise(gaps)]
    uneven = all(max(a, b) > _UNEVEN * min(a, b) for a, b in pairwise(gaps))
    return uneven and max(sums) - min(sums) < _STEADY * max(sums)
