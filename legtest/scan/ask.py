"""Asking a bus who is there, through a link that lets reads out and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from legtest.canbus.frame import ERROR, EXTENDED, REMOTE, SENT, Frame
from legtest.canbus.link import Link
from legtest.canbus.read_only import ReadOnlyLink
from legtest.errors import BusBusy, DriveError
from legtest.safety import sdo

EVERY_NODE = range(1, 128)
IDENTITY = ("vendor", "product", "revision", "serial")  # object 0x1018, sub-indices 1 to 4
_AT_ONCE = 8  # requests in flight: the queue of a small adapter
_WAIT_NS, _SLICE_NS, _ANSWER_NS = 25_000_000, 1_000_000, 100_000_000
# name -> object, for what is asked of each node that answers
_NUMBERS = {
    "device_type": (0x1000, 0), "error_register": (0x1001, 0), "heartbeat_ms": (0x1017, 0), "status": (0x6041, 0),
    "rated_torque_mNm": (0x6076, 0), "guard_ms": (0x100C, 0), "guard_factor": (0x100D, 0),
}  # fmt: skip
_TEXTS = {"name": (0x1008, 0), "hardware": (0x1009, 0), "firmware": (0x100A, 0)}


class Asked(NamedTuple):
    """What one node answered.

    identities: every different identity object that came, one of a healthy node; None = that part was not answered.
    numbers, texts: by name; what the node does not have is missing. guarded: its state, as node guarding said.
    """

    node: int
    identities: tuple[tuple[int | None, ...], ...]
    doubled: bool
    numbers: Mapping[str, int]
    texts: Mapping[str, str]
    guarded: int | None


class Reads:
    """A link for reads alone that keeps every frame in `frames`."""

    def __init__(self, link: Link) -> None:
        self._link = ReadOnlyLink(link)
        self.frames: list[Frame] = []

    def now_ns(self) -> int:
        """Nanoseconds of the link."""
        return self._link.now_ns()

    def send(self, frame: Frame) -> None:
        """Send a read. Raises NotPermitted for anything else, BusBusy, BusLost."""
        self._link.send(frame)

    def pump(self, span_ns: int) -> list[Frame]:
        """Let so much time pass; what was received of whole data frames. Raises BusLost."""
        frames = self._link.pump(self._link.now_ns() + span_ns)
        self.frames += frames
        return [frame for frame in frames if not frame.flags & (SENT | ERROR | EXTENDED | REMOTE)]


def ask(reads: Reads, nodes: Iterable[int] = EVERY_NODE, *, beating: Iterable[int] = ()) -> tuple[Asked, ...]:
    """Ask nodes for identity, firmware, state and error register; one entry for each that answers.

    beating: nodes whose heartbeat was heard, which are not guarded as well. Raises BusBusy when the adapter cannot get
    rid of its requests, BusLost.
    """
    answers = _broadcast(reads, nodes)
    known = frozenset(beating)
    return tuple(_details(reads, node, first, known) for node, first in sorted(answers.items()))


def _broadcast(reads: Reads, nodes: Iterable[int]) -> dict[int, list[bytes]]:
    """The first request to everybody; the answers by node, all of them."""
    every = list(nodes)
    answers: dict[int, list[bytes]] = {}
    for start in range(0, len(every), _AT_ONCE):
        for node in every[start : start + _AT_ONCE]:
            reads.send(_request(node, 0x1018, 1))
        for frame in reads.pump(_WAIT_NS):
            node = frame.can_id & 0x7F
            if frame.can_id == sdo.answer_id(node) and _is_about(frame.data, _request(node, 0x1018, 1)):
                answers.setdefault(node, []).append(frame.data)
    return answers


def _request(node: int, index: int, sub: int) -> Frame:
    return next(sdo.read(node, index, sub))


def _details(reads: Reads, node: int, first: list[bytes], beating: frozenset[int]) -> Asked:
    columns = [[_number(answer) for answer in first]]
    for sub in range(2, len(IDENTITY) + 1):
        request = _request(node, 0x1018, sub)
        reads.send(request)
        frames = reads.pump(_WAIT_NS)
        came = [f.data for f in frames if f.can_id == sdo.answer_id(node) and _is_about(f.data, request)]
        columns.append([_number(answer) for answer in came])
    most = max(map(len, columns))
    rows = [tuple(column[n] if n < len(column) else None for column in columns) for n in range(most)]
    identities = tuple(dict.fromkeys(rows))
    doubled = most > 1
    numbers: dict[str, int] = {}
    texts: dict[str, str] = {}
    if not doubled:  # two that answer at once cannot be told apart, and not be read in segments
        numbers = {name: int.from_bytes(d, "little") for name, d in _each(reads, node, _NUMBERS) if len(d) <= 8}
        found = _each(reads, node, _TEXTS)
        texts = {name: data.rstrip(b"\0").decode("latin-1") for name, data in found}
    # A drive that guards its master begins with the first remote frame, and would take our silence for a loss.
    watches = numbers.get("guard_ms", 0) * numbers.get("guard_factor", 0) > 0
    guarded = None if doubled or watches or node in beating else _guard(reads, node)
    return Asked(node, identities, doubled, numbers, texts, guarded)


def _is_about(answer: bytes, request: Frame) -> bool:
    return len(answer) == 8 and answer[1:4] == request.data[1:4]


def _number(answer: bytes) -> int | None:
    """The number of an expedited answer to a read, None for another answer."""
    if answer[0] & 0xE2 != 0x42:
        return None
    return int.from_bytes(answer[4 : 8 - (answer[0] >> 2 & 3) if answer[0] & 1 else 8], "little")


def _each(reads: Reads, node: int, objects: Mapping[str, tuple[int, int]]) -> list[tuple[str, bytes]]:
    read = ((name, _read(reads, node, *place)) for name, place in objects.items())
    return [(name, data) for name, data in read if data is not None]


def _read(reads: Reads, node: int, index: int, sub: int) -> bytes | None:
    """One object; None where the node does not have it or does not answer."""
    exchange = sdo.read(node, index, sub)
    request = next(exchange)
    try:
        while True:
            reads.send(request)
            answer = _answer(reads, node, request.data)
            if answer is None:
                return None
            request = exchange.send(answer)
    except StopIteration as end:
        return bytes(end.value)
    except DriveError:
        return None


def _answer(reads: Reads, node: int, request: bytes) -> bytes | None:
    until = reads.now_ns() + _ANSWER_NS
    while reads.now_ns() < until:
        for frame in reads.pump(_SLICE_NS):
            if frame.can_id == sdo.answer_id(node) and not sdo.belated(request, frame.data):
                return frame.data
    return None


def _guard(reads: Reads, node: int) -> int | None:
    """The state a node answers to node guarding (CiA 301), None where it does not take part in it."""
    try:
        reads.send(Frame(0, 0x700 + node, bytes(1), REMOTE))
    except BusBusy:
        return None
    for frame in reads.pump(_WAIT_NS):
        if frame.can_id == 0x700 + node and len(frame.data) == 1 and frame.data[0] & 0x7F:
            return frame.data[0] & 0x7F
    return None
