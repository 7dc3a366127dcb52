"""The host's end of the virtual bus: the simulated `Link`."""

from __future__ import annotations

from random import Random

from legtest.canbus.frame import SENT, Frame
from legtest.errors import BusBusy, BusLost
from legtest.simulation.bus import VirtualBus

QUEUE_LENGTH = 256


class VirtualLink:
    """A `Link` in virtual time: `pump` lets the time of the bus pass.

    loss: share (0..1) of frames the adapter drops, in each direction, drawn from its own generator. A dropped
    outgoing frame never reaches the wire, but the host cannot know and sees it as sent, at the instant it was
    handed over. Raises ValueError for a share outside 0..1.
    """

    def __init__(self, bus: VirtualBus, loss: float = 0.0, seed: int = 0) -> None:
        if not 0.0 <= loss <= 1.0:
            raise ValueError(f"loss {loss} is not a share between 0 and 1")
        self._bus, self._loss = bus, loss
        self._random = Random(seed)
        self._received: list[Frame] = []
        self._open = True
        # Without loss a frame goes straight into the list, which therefore stays the same object.
        self._port = bus.attach(self._receive if loss else self._received.append, echo=True)

    def now_ns(self) -> int:
        """Virtual time; it passes only in `pump`."""
        return self._bus.now_ns

    def send(self, frame: Frame) -> None:
        """Queue one frame. Raises BusBusy when the adapter's queue is full, BusLost after `close`."""
        if not self._open:
            raise BusLost("the link is closed")
        if len(self._bus.waiting) >= QUEUE_LENGTH:
            raise BusBusy(f"{QUEUE_LENGTH} frames already wait for the bus")
        if self._loss and self._random.random() < self._loss:
            self._received.append(Frame(self._bus.now_ns, frame.can_id, frame.data, frame.flags | SENT))
            return
        self._port.send(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        """Let time pass until the absolute instant; all frames received since the last call, oldest first.

        Raises BusLost after `close`.
        """
        if not self._open:
            raise BusLost("the link is closed")
        self._bus.run(until_ns)
        received = self._received[:]
        self._received.clear()
        return received

    def close(self) -> None:
        """Leave the bus; harmless when repeated."""
        if self._open:
            self._open = False
            self._port.detach()

    def _receive(self, frame: Frame) -> None:
        if frame.flags & SENT or self._random.random() >= self._loss:
            self._received.append(frame)
