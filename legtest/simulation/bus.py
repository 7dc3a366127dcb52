"""A CAN bus in virtual time: arbitration, real bit times, one frame on the wire at a time.

One heap of events, integer nanoseconds, one thread; nothing here asks the operating system for the time.
Events of the same instant run in the order they were made, so a run repeats bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from heapq import heappop, heappush
from typing import NamedTuple

from legtest.canbus.bits import INTERFRAME_BITS, frame_bits
from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame

Receive = Callable[[Frame], None]


class BusLoad(NamedTuple):
    """Figures since the bus was made: frames carried, time the bus was taken (interframe space included), span."""

    frames: int
    busy_ns: int
    span_ns: int

    @property
    def share(self) -> float:
        """Part of the time the bus was taken, 0..1."""
        return self.busy_ns / self.span_ns if self.span_ns else 0.0


class BusPort:
    """One station on the bus. Made by `VirtualBus.attach`."""

    __slots__ = ("_bus", "echo", "ids", "receive", "routes")

    def __init__(self, bus: VirtualBus, receive: Receive, ids: frozenset[int] | None, echo: bool) -> None:
        self._bus, self.receive, self.ids, self.echo = bus, receive, ids, echo
        self.routes: dict[int, tuple[Receive, ...]] = {}  # by arbitration field: who else gets my frame

    def send(self, frame: Frame) -> None:
        """Queue a classical frame; it leaves when it wins arbitration. Raises ValueError for CAN FD or error frames."""
        self._bus._queue(self, frame)

    def listen(self, ids: Iterable[int] | None) -> None:
        """From now on take only standard data frames with these identifiers; None takes every frame."""
        self.ids = None if ids is None else frozenset(ids)
        self._bus._forget_routes()

    def detach(self) -> None:
        """Leave the bus: receive nothing more."""
        self._bus._detach(self)


class VirtualBus:
    """A CAN bus whose time passes only in `run`.

    bit_rate: bits per second; one bit must be a whole number of nanoseconds. Raises ValueError otherwise.
    No bit errors and no bus-off happen here; equal identifiers from two stations go in the order queued.
    """

    def __init__(self, bit_rate: int) -> None:
        if bit_rate <= 0 or 1_000_000_000 % bit_rate:
            raise ValueError(f"bit rate {bit_rate} bit/s: one bit must be a whole number of nanoseconds")
        self.bit_rate = bit_rate
        self.now_ns = 0
        self.bit_ns = 1_000_000_000 // bit_rate
        self._events: list[tuple[int, int, Callable[[int], None]]] = []
        self._waiting: list[tuple[int, int, Frame, BusPort]] = []
        self._on_wire: tuple[int, Frame, BusPort] | None = None
        self._free_ns = 0  # when the wire is free, interframe space included
        self._arbitrating = False
        self._count = 0
        self._ports: list[BusPort] = []
        self._frames = 0
        self._busy_ns = 0

    def attach(self, receive: Receive, ids: Iterable[int] | None = None, echo: bool = False) -> BusPort:
        """A new station; `receive` gets the frames of all others at the instant they end.

        ids: only standard data frames with these identifiers (the station's acceptance filter); None: all frames.
        echo: also the station's own frames, with the SENT flag.
        """
        port = BusPort(self, receive, None if ids is None else frozenset(ids), echo)
        self._ports.append(port)
        self._forget_routes()
        return port

    def at(self, t_ns: int, call: Callable[[int], None]) -> None:
        """Run `call(t_ns)` at that instant. Raises ValueError for an instant in the past."""
        if t_ns < self.now_ns:
            raise ValueError(f"instant {t_ns} ns is in the past of the bus, which is at {self.now_ns} ns")
        self._count += 1
        heappush(self._events, (t_ns, self._count, call))

    def run(self, until_ns: int) -> None:
        """Let time pass up to and including that instant; an instant in the past changes nothing."""
        events = self._events
        while events and events[0][0] <= until_ns:
            t_ns, _, call = heappop(events)
            self.now_ns = t_ns
            call(t_ns)
        if until_ns > self.now_ns:
            self.now_ns = until_ns

    @property
    def next_event_ns(self) -> int | None:
        """When something happens next, None when nothing is due."""
        return self._events[0][0] if self._events else None

    @property
    def queued(self) -> int:
        """Frames that wait for the wire."""
        return len(self._waiting)

    def load(self) -> BusLoad:
        """Frames carried and time taken since the bus was made."""
        return BusLoad(self._frames, self._busy_ns, self.now_ns)

    def _queue(self, port: BusPort, frame: Frame) -> None:
        flags = frame.flags
        if flags & (FD | BRS | ERROR):
            raise ValueError(f"frame 0x{frame.can_id:X}: this bus carries classical CAN data and remote frames only")
        key = frame.can_id << 21 if not flags & (EXTENDED | REMOTE) else _arbitration_field(frame.can_id, flags)
        self._count += 1
        heappush(self._waiting, (key, self._count, frame, port))
        if not self._arbitrating and self._on_wire is None:
            self._arbitrating = True
            # Not at once: whoever else queues at this instant takes part in the arbitration.
            self._count += 1
            heappush(self._events, (max(self.now_ns, self._free_ns), self._count, self._arbitrate))

    def _arbitrate(self, t_ns: int) -> None:
        key, _, frame, port = heappop(self._waiting)
        flags = frame.flags
        bits = frame_bits(frame.can_id, frame.data, bool(flags & EXTENDED), bool(flags & REMOTE))
        end_ns = t_ns + bits * self.bit_ns
        self._free_ns = end_ns + INTERFRAME_BITS * self.bit_ns
        self._busy_ns += self._free_ns - t_ns
        self._frames += 1
        self._arbitrating = False
        self._on_wire = (key, frame, port)
        self._count += 1
        heappush(self._events, (end_ns, self._count, self._deliver))

    def _deliver(self, t_ns: int) -> None:
        assert self._on_wire is not None
        key, frame, port = self._on_wire
        self._on_wire = None
        if self._waiting:
            self._arbitrating = True
            self._count += 1
            heappush(self._events, (self._free_ns, self._count, self._arbitrate))
        flags = frame.flags & ~SENT
        if port.echo:
            port.receive(Frame(t_ns, frame.can_id, frame.data, flags | SENT))
        route = port.routes.get(key)
        if route is None:
            route = port.routes[key] = self._route(port, frame)
        if route:
            arrived = Frame(t_ns, frame.can_id, frame.data, flags)
            for receive in route:
                receive(arrived)

    def _route(self, sender: BusPort, frame: Frame) -> tuple[Receive, ...]:
        plain = not frame.flags & (EXTENDED | REMOTE)
        return tuple(
            port.receive
            for port in self._ports
            if port is not sender and (port.ids is None or (plain and frame.can_id in port.ids))
        )

    def _forget_routes(self) -> None:
        for port in self._ports:
            port.routes.clear()

    def _detach(self, port: BusPort) -> None:
        if port in self._ports:
            self._ports.remove(port)
            port.echo = False
            self._forget_routes()


def _arbitration_field(can_id: int, flags: int) -> int:
    """The bits that arbitrate after the start of frame, as one number: the smaller one wins (ISO 11898-1).

    Standard: id(11) RTR IDE=0 and zeros; extended: base id(11) SRR=1 IDE=1 id extension(18) RTR.
    """
    remote = bool(flags & REMOTE)
    if flags & EXTENDED:
        return (can_id >> 18) << 21 | 0b11 << 19 | (can_id & 0x3FFFF) << 1 | remote
    return can_id << 21 | remote << 20
