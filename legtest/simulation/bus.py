"""A CAN bus in virtual time: arbitration, real bit times, one frame on the wire at a time.

One heap of events, integer nanoseconds, one thread; nothing here asks the operating system for the time.
Events of the same instant run in the order they were made, so a run repeats bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from heapq import heappop, heappush
from typing import NamedTuple

from legtest.canbus.bits import INTERFRAME_BITS, frame_bits
from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame

Receive = Callable[[Frame], None]
_NEVER = 1 << 63
_UNUSUAL = EXTENDED | REMOTE | FD | BRS | ERROR
_new = tuple.__new__  # makes a Frame in half the time of calling Frame


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

    __slots__ = ("_bus", "echo", "handlers", "ids", "receive", "routes")

    def __init__(self, bus: VirtualBus, receive: Receive, ids: frozenset[int] | None, echo: bool) -> None:
        self._bus, self.receive, self.ids, self.echo = bus, receive, ids, echo
        self.handlers: Mapping[int, Receive] = {}
        self.routes: dict[int, tuple[Receive, ...]] = {}  # by arbitration field: who else gets my frame

    def send(self, frame: Frame) -> None:
        """Queue a classical frame; it leaves when it wins arbitration. Raises ValueError for CAN FD or error frames."""
        _, can_id, data, flags = frame
        if flags & _UNUSUAL:
            if flags & (FD | BRS | ERROR):
                raise ValueError(f"frame 0x{can_id:X}: this bus carries classical CAN data and remote frames only")
            self._bus.queue(self, _arbitration_field(can_id, flags), can_id, data, flags & ~SENT)
        else:
            self._bus.queue(self, can_id << 21, can_id, data, 0)

    def send_data(self, can_id: int, data: bytes) -> None:
        """Queue a standard data frame."""
        self._bus.queue(self, can_id << 21, can_id, data, 0)

    def listen(self, ids: Iterable[int] | None) -> None:
        """From now on take only standard data frames with these identifiers; None takes every frame."""
        self.ids, self.handlers = None if ids is None else frozenset(ids), {}
        self._bus.forget_routes()

    def handle(self, handlers: Mapping[int, Receive]) -> None:
        """From now on take only standard data frames with these identifiers, each by a receiver of its own."""
        self.ids, self.handlers = frozenset(handlers), handlers
        self._bus.forget_routes()

    def detach(self) -> None:
        """Leave the bus: receive nothing more."""
        self._bus.detach(self)


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
        self._gap_ns = INTERFRAME_BITS * self.bit_ns
        # Frames that wait, a heap: arbitration field, number, identifier, data, flags, whose.
        self.waiting: list[tuple[int, int, int, bytes, int, BusPort]] = []
        self._on_wire: tuple[int, int, int, bytes, int, BusPort] | None = None
        self._count = 0
        self._events: list[tuple[int, int, Callable[[int], None]]] = [(_NEVER, 0, self.run)]  # never empty, never run
        # The wire has one event at a time, the end of a frame or the next arbitration: it stays out of the heap.
        self._wire_ns, self._wire_count = _NEVER, 0
        self._free_ns = 0  # when the wire is free, interframe space included
        self._spans: dict[int, tuple[bytes, int]] = {}  # by arbitration field: last data and how long it took, ns
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
        self.forget_routes()
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
        while True:
            wire_ns = self._wire_ns
            t_ns, number, call = events[0]
            if t_ns < wire_ns or (t_ns == wire_ns and number < self._wire_count):
                if t_ns > until_ns:
                    break
                heappop(events)
                self.now_ns = t_ns
                call(t_ns)
            elif wire_ns > until_ns:
                break
            else:
                self.now_ns = wire_ns
                if self._on_wire is None:
                    self._arbitrate(wire_ns)
                else:
                    self._deliver(wire_ns)
        if until_ns > self.now_ns:
            self.now_ns = until_ns

    @property
    def next_event_ns(self) -> int | None:
        """When something happens next, None when nothing is due."""
        next_ns = min(self._events[0][0], self._wire_ns)
        return next_ns if next_ns < _NEVER else None

    def load(self) -> BusLoad:
        """Frames carried and time taken since the bus was made."""
        return BusLoad(self._frames, self._busy_ns, self.now_ns)

    # -- for the ports

    def queue(self, port: BusPort, key: int, can_id: int, data: bytes, flags: int) -> None:
        """A port's frame waits for the wire. key: its arbitration field."""
        self._count += 1
        heappush(self.waiting, (key, self._count, can_id, data, flags, port))
        if self._wire_ns == _NEVER:
            # Not at once: whoever else queues at this instant takes part in the arbitration.
            self._count += 1
            self._wire_count = self._count
            self._wire_ns = self.now_ns if self.now_ns > self._free_ns else self._free_ns

    def _arbitrate(self, t_ns: int) -> None:
        self._on_wire = first = heappop(self.waiting)
        key, _, can_id, data, flags, _ = first
        last = self._spans.get(key)
        if last is not None and last[0] == data:
            span_ns = last[1]
        else:
            span_ns = frame_bits(can_id, data, flags & EXTENDED != 0, flags & REMOTE != 0) * self.bit_ns
            self._spans[key] = (data, span_ns)
        end_ns = self._wire_ns = t_ns + span_ns
        self._free_ns = free_ns = end_ns + self._gap_ns
        self._busy_ns += free_ns - t_ns
        self._frames += 1
        self._count += 1
        self._wire_count = self._count

    def _deliver(self, t_ns: int) -> None:
        assert self._on_wire is not None
        key, _, can_id, data, flags, port = self._on_wire
        self._on_wire = None
        if self.waiting:
            self._count += 1
            self._wire_ns, self._wire_count = self._free_ns, self._count
        else:
            self._wire_ns = _NEVER
        if port.echo:
            port.receive(_new(Frame, (t_ns, can_id, data, flags | SENT)))
        route = port.routes.get(key)
        if route is None:
            route = port.routes[key] = self._route(port, can_id, flags)
        if route:
            arrived = _new(Frame, (t_ns, can_id, data, flags))
            for receive in route:
                receive(arrived)

    def _route(self, sender: BusPort, can_id: int, flags: int) -> tuple[Receive, ...]:
        plain = not flags & (EXTENDED | REMOTE)
        return tuple(
            port.handlers.get(can_id, port.receive)
            for port in self._ports
            if port is not sender and (port.ids is None or (plain and can_id in port.ids))
        )

    def forget_routes(self) -> None:
        """Stations or what they take have changed."""
        for port in self._ports:
            port.routes.clear()

    def detach(self, port: BusPort) -> None:
        """A port leaves; harmless when repeated."""
        if port in self._ports:
            self._ports.remove(port)
            port.echo = False
            self.forget_routes()


def _arbitration_field(can_id: int, flags: int) -> int:
    """The bits that arbitrate after the start of frame, as one number: the smaller one wins (ISO 11898-1).

    Standard: id(11) RTR IDE=0 and zeros; extended: base id(11) SRR=1 IDE=1 id extension(18) RTR.
    """
    remote = bool(flags & REMOTE)
    if flags & EXTENDED:
        return (can_id >> 18) << 21 | 0b11 << 19 | (can_id & 0x3FFFF) << 1 | remote
    return can_id << 21 | remote << 20
