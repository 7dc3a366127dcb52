"""The host's end of the campaign's bus: a link that sees the whole wire, tells the observer, and can fail."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush

from legtest.campaign.observer import Observer
from legtest.canbus.frame import SENT, Frame
from legtest.errors import BusBusy, BusLost
from legtest.simulation.bus import VirtualBus

Filter = Callable[[Frame], list[tuple[int, Frame]]]  # what becomes of a frame: delay in ns, frame
QUEUE_LENGTH = 64
MOST_WAITS = 60_000  # ten times what the longest good run needs


class Endless(BaseException):
    """A run that does not come to its end."""


class Adapter:
    """Link. rx, tx: filters that faults put in; fail: raised by every call; stall_ns: `pump` returns not before."""

    def __init__(self, bus: VirtualBus, observer: Observer, watch: Callable[[Frame], None]) -> None:
        self._bus, self._observer, self._watch = bus, observer, watch
        self.rx: Filter | None = None
        self.tx: Filter | None = None
        self.fail: Exception | None = None
        self.busy = False
        self.held: list[Frame] | None = None  # frames the adapter keeps until its bus is back
        self.interrupt: BaseException | None = None  # raised once, by the next `pump`
        self.raised: Callable[[], None] = lambda: None  # told of that
        self.stall_ns = 0
        self._received: list[Frame] = []
        self._late: list[tuple[int, int, Frame]] = []
        self._count = self._waits = 0
        self._port = bus.attach(self._on_wire, echo=True)

    def now_ns(self) -> int:
        return self._bus.now_ns

    def send(self, frame: Frame) -> None:
        """Raises BusBusy, BusLost, or what a fault has put in."""
        if self.fail is not None:
            self._fault("adapter fails")
            raise self.fail
        if self.busy or (self.held is not None and len(self.held) >= QUEUE_LENGTH):
            self._fault("adapter busy")
            raise BusBusy("the adapter takes no frame now")
        if self.held is not None:
            self.held.append(frame)
            self._observer.handed_over(self._bus.now_ns, frame)
        elif self.tx is None:
            self._port.send(frame)
        else:
            for delay_ns, each in self.tx(frame):
                self._send_later(delay_ns, each)

    def _fault(self, what: str) -> None:
        if not isinstance(self.fail, BusLost):  # a lost one is told where it is put in: the host cannot do anything
            self._observer.violation(self._bus.now_ns, what, "stop")

    def _send_later(self, delay_ns: int, frame: Frame) -> None:
        if delay_ns:
            self._bus.at(self._bus.now_ns + delay_ns, lambda _: self._port.send(frame))
        else:
            self._port.send(frame)

    def flush(self) -> None:
        """The bus is back: what was kept leaves in one burst."""
        held, self.held = self.held or [], None
        for frame in held:
            self._port.send(frame)

    def hear(self, frame: Frame) -> None:
        """A frame that only the host's controller makes up, such as an error frame."""
        self._received.append(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        """Raises BusLost, or what a fault has put in."""
        self._waits += 1
        if self._waits > MOST_WAITS:
            raise Endless
        if self.interrupt is not None:
            interrupt, self.interrupt = self.interrupt, None
            self.raised()
            raise interrupt
        if isinstance(self.fail, BusLost):
            raise self.fail
        self._bus.run(until_ns)
        if self.stall_ns > until_ns:  # the host did not run meanwhile; a stall may also begin in the middle
            self._bus.run(self.stall_ns)
        now = self._bus.now_ns
        while self._late and self._late[0][0] <= now:
            t_ns, _, frame = heappop(self._late)
            self._received.append(frame._replace(t_ns=t_ns))
        received, self._received = self._received, []
        for frame in received:
            self._observer.delivered(frame)
        return received

    def close(self) -> None:
        self.held = None if self.held is None else []
        # Not detached: what stands in an adapter's queue may still come out, and the observer has to see it.
        self.fail = BusLost("the link is closed")

    def _on_wire(self, frame: Frame) -> None:
        self._watch(frame)
        if self.rx is None or frame.flags & SENT:
            self._received.append(frame)
            return
        for delay_ns, each in self.rx(frame):
            if delay_ns:
                self._count += 1
                heappush(self._late, (frame.t_ns + delay_ns, self._count, each))
            else:
                self._received.append(each)


