"""A virtual bus with simulated drives that stand still, to be scanned; and links that hear it badly."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from legtest.canbus.frame import ERROR, SENT, Frame
from legtest.canbus.link import Link
from legtest.scan import Expected, Scan, scan_bus
from legtest.simulation.axis import Reading
from legtest.simulation.bus import BusPort, VirtualBus
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity

MS, S = 1_000_000, 1_000_000_000
RATE = 1_000_000
LEG = tuple(
    Expected(joint, node, (0, 1, 0x00010000, serial))
    for joint, node, serial in (("abduction", 1, 4101), ("hip", 2, 4102), ("knee", 3, 4103))
)


class StillAxis:
    """Nothing moves. `enabled` counts how often somebody switched it."""

    def __init__(self) -> None:
        self.enabled = 0

    def read(self, t_ns: int) -> Reading:
        return Reading(0.0, 0.0, 0.0, 25.0, 24.0)

    def enable(self, t_ns: int, on: bool) -> None:
        self.enabled += 1

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None: ...

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None: ...

    def push(self, t_ns: int, torque_Nm: float) -> None: ...

    def demand_rad(self, t_ns: int) -> float:
        return 0.0


class Bench:
    """A bus with drives at the given (node id, serial number), beating each 100 ms or not at all."""

    def __init__(self, drives: Sequence[tuple[int, int]] = ((1, 4101), (2, 4102), (3, 4103)), beat_ms: int = 100):
        self.bus = VirtualBus(RATE)
        self.axes = [StillAxis() for _ in drives]
        self.nodes: list[DriveNode] = []
        self.hand = self.bus.attach(lambda _: None, ids=())
        for (node, serial), axis in zip(drives, self.axes, strict=True):
            self.nodes.append(DriveNode(self.bus, node, axis, Identity(serial=serial), DriveConfig()))
            self.wait(1 * MS)
            if beat_ms:
                self.write(node, 0x1017, beat_ms)
                self.wait(30 * MS)  # so that two of one number do not beat together
        self.wait(100 * MS)
        self.wire: list[Frame] = []
        self.bus.attach(self.wire.append)

    def wait(self, span_ns: int) -> None:
        self.bus.run(self.bus.now_ns + span_ns)

    def write(self, node: int, index: int, value: int, size: int = 2) -> None:
        command = 0x23 | (4 - size) << 2
        data = bytes((command, index & 0xFF, index >> 8, 0)) + value.to_bytes(4, "little")
        self.hand.send_data(0x600 + node, data)

    def every(self, period_ns: int, can_id: int, data: bytes, flags: int = 0) -> BusPort:
        """A station that sends the same frame again and again."""
        port = self.bus.attach(lambda _: None, ids=())

        def send(t_ns: int) -> None:
            port.send(Frame(0, can_id, data, flags))
            self.bus.at(t_ns + period_ns, send)

        self.bus.at(self.bus.now_ns + period_ns, send)
        return port

    def scan(
        self,
        *,
        expected: Sequence[Expected] = LEG,
        may_ask: bool | None = None,
        listen_ns: int = 2 * S,
        hears: Callable[[Link], Link] = lambda link: link,
    ) -> Scan:
        @contextmanager
        def opened(listen_only: bool) -> Iterator[Link]:
            link = VirtualLink(self.bus)
            yield hears(link)
            link.close()

        return scan_bus(opened, RATE, listen_ns, may_ask=may_ask, expected=expected)


class Noisy:
    """A link on which error frames of one kind come in, `count` in each pump; deaf: and no whole frame."""

    def __init__(self, link: Link, error: tuple[int, bytes], count: int = 5, *, deaf: bool = False) -> None:
        self._link, self._error, self._count, self._deaf = link, error, count, deaf

    def now_ns(self) -> int:
        return self._link.now_ns()

    def send(self, frame: Frame) -> None:
        self._link.send(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        frames = [f for f in self._link.pump(until_ns) if not self._deaf or f.flags & SENT]
        can_id, data = self._error
        return frames + [Frame(self.now_ns(), can_id, data, ERROR)] * self._count

    def close(self) -> None:
        self._link.close()


def names(scan: Scan) -> list[str]:
    return [finding.name for finding in scan.findings]
