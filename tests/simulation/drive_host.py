"""A host for tests of one simulated drive: SDO, PDO mapping, enabling, cyclic set-points, in virtual time."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field

from analytic_axis import AnalyticAxis

from legtest.canbus.frame import Frame, frame
from legtest.simulation.bus import VirtualBus
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity

NODE = 5
PERIOD_NS = 4_000_000
MS = 1_000_000
COUNTS_PER_RAD = 65536 / math.tau
POSITION, TORQUE, PROFILE, HOMING = 8, 10, 1, 6


class Aborted(Exception):
    """The drive refused; args[0] is the CiA 301 abort code."""


@dataclass
class Bench:
    """One drive with its axis on a bus, and the host's link."""

    axis: AnalyticAxis = field(default_factory=AnalyticAxis)
    identity: Identity = field(default_factory=Identity)
    config: DriveConfig = field(default_factory=DriveConfig)

    def __post_init__(self) -> None:
        self.bus = VirtualBus(1_000_000)
        self.link = VirtualLink(self.bus)
        self.node = DriveNode(self.bus, NODE, self.axis, self.identity, self.config)
        self.log: list[Frame] = []
        self.wait(MS)

    def wait(self, span_ns: int) -> list[Frame]:
        """Let time pass; the frames received meanwhile."""
        got = self.link.pump(self.link.now_ns() + span_ns)
        self.log += got
        return got

    def send(self, can_id: int, data: bytes = b"") -> None:
        self.link.send(frame(can_id, data))

    def heard(self, can_id: int) -> list[Frame]:
        return [f for f in self.log if f.can_id == can_id]

    # -- SDO

    def request(self, data: bytes) -> bytes:
        self.send(0x600 + NODE, data)
        (answer,) = [f.data for f in self.wait(MS) if f.can_id == 0x580 + NODE]
        return answer

    def read(self, index: int, sub: int = 0, signed: bool = False) -> int:
        answer = self.request(b"\x40" + index.to_bytes(2, "little") + bytes((sub,)) + bytes(4))
        if answer[0] == 0x80:
            raise Aborted(int.from_bytes(answer[4:], "little"))
        return int.from_bytes(answer[4 : 8 - (answer[0] >> 2 & 3)], "little", signed=signed)

    def write(self, index: int, sub: int, size: int, value: int) -> None:
        data = (value & (1 << 8 * size) - 1).to_bytes(4, "little")
        answer = self.request(bytes((0x23 | (4 - size) << 2,)) + index.to_bytes(2, "little") + bytes((sub,)) + data)
        if answer[0] == 0x80:
            raise Aborted(int.from_bytes(answer[4:], "little"))

    def map_pdo(self, communication: int, mapping: int, cob_id: int, kind: int, entries: list[int]) -> None:
        """In the order of CiA 301: off, no entries, entries, count, type, on."""
        self.write(communication, 1, 4, 1 << 31 | cob_id)
        self.write(mapping, 0, 1, 0)
        for n, entry in enumerate(entries, start=1):
            self.write(mapping, n, 4, entry)
        self.write(mapping, 0, 1, len(entries))
        self.write(communication, 2, 1, kind)
        self.write(communication, 1, 4, cob_id)

    def configure(self, mode: int = POSITION) -> None:
        """Map PDOs as a leg's host does, choose a mode, start the node."""
        self.map_pdo(0x1400, 0x1600, 0x200 + NODE, 255, [0x60400010])
        self.map_pdo(0x1401, 0x1601, 0x300 + NODE, 1, [0x607A0020, 0x60B20010, 0x60720010])
        self.map_pdo(0x1800, 0x1A00, 0x180 + NODE, 1, [0x60410010, 0x60640020, 0x60770010])
        self.map_pdo(0x1801, 0x1A01, 0x280 + NODE, 5, [0x606C0020, 0x60790020])
        self.map_pdo(0x1802, 0x1A02, 0x380 + NODE, 25, [0x20000010, 0x603F0010])
        self.write(0x60C2, 1, 1, 4)
        self.write(0x6072, 0, 2, 3000)
        self.write(0x6060, 0, 1, mode)
        self.nmt(1)

    def nmt(self, command: int) -> None:
        self.send(0x000, bytes((command, NODE)))
        self.wait(MS)

    # -- power

    def control(self, word: int) -> None:
        self.send(0x200 + NODE, word.to_bytes(2, "little"))
        self.wait(MS)

    def enable(self) -> None:
        for word in (0x06, 0x07, 0x0F):
            self.control(word)
        assert self.state == 0x27

    @property
    def state(self) -> int:
        """State bits of the statusword, by the masks of CiA 402."""
        word = self.node.statusword()
        return word & 0x4F if word & 0x4F in (0x00, 0x40, 0x0F, 0x08) else word & 0x6F

    # -- cycles

    def cycle(self, target: int | None = None, forward: int = 0, cap: int = 3000) -> list[Frame]:
        """One SYNC, then the set-point for the next one (None: left out)."""
        start_ns = self.link.now_ns()
        self.send(0x080)
        got = self.link.pump(start_ns + PERIOD_NS * 6 // 10)
        if target is not None:
            self.send(0x300 + NODE, struct.pack("<ihH", target, forward, cap))
        got += self.link.pump(start_ns + PERIOD_NS)
        self.log += got
        return got

    def feedback(self) -> tuple[int, int, int]:
        """Statusword, position, torque of the last first transmit PDO."""
        return struct.unpack("<Hih", self.heard(0x180 + NODE)[-1].data)  # type: ignore[return-value]

    def emergencies(self) -> list[int]:
        """The error codes reported so far."""
        return [int.from_bytes(f.data[:2], "little") for f in self.heard(0x080 + NODE)]


def running(mode: int = POSITION, **parts: object) -> Bench:
    """A configured and enabled drive."""
    bench = Bench(**parts)  # type: ignore[arg-type]
    bench.configure(mode)
    bench.enable()
    return bench
