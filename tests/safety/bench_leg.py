"""A leg for the tests of the safety room: real drive nodes on the virtual bus, plain bodies instead of physics.

What is on the wire is taken down by a station of its own, and judged by code that uses nothing of legtest.safety.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from legtest.canbus.frame import Frame
from legtest.description import default_bench, read_leg
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.precheck import run_precheck
from legtest.safety.setup import Setup
from legtest.safety.stretch import Stretch
from legtest.simulation.axis import Reading
from legtest.simulation.bus import VirtualBus
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity
from legtest.wiring import setup_of

LEG = Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-fl.yaml"
MS = 1_000_000
S = 1_000_000_000
STEP_NS = 500_000


@cache
def make_setup() -> Setup:
    """The set-up of the three-joint leg of the fixtures on the default bench: 250 cycles/s at 1 Mbit/s."""
    return setup_of(read_leg(str(LEG)), default_bench())


@dataclass
class Body:
    """What an encoder sits on: inertia with friction, held back by nothing else. SI, at the gearbox output."""

    position: float = 0.0
    velocity: float = 0.0
    torque: float = 0.0
    blocked: bool = False
    inertia: float = 0.05
    t_ns: int = 0

    def advance(self, t_ns: int) -> None:
        span = (t_ns - self.t_ns) * 1e-9
        self.t_ns = t_ns
        self.velocity += (self.torque - 0.5 * self.velocity) / self.inertia * span
        if self.blocked:
            self.velocity = 0.0
        self.position += self.velocity * span


@dataclass
class PlainAxis:
    """A power stage whose motor turns one body and whose encoder sits on another (the same, if nobody crossed cables).

    turns: +1, or -1 for a motor that is connected the wrong way round. slip_rad: added to what the encoder reads.
    """

    body: Body
    motor: Body
    turns: int = 1
    temperature_C: float = 25.0
    supply_V: float = 48.0
    slip_rad: float = 0.0
    on: bool = False
    limits: tuple[float, float] = (0.0, 0.0)
    _t_ns: int = 0
    _forward: float = 0.0
    _demand: tuple[int, int, float, float] = (0, 0, 0.0, 0.0)
    _torque: float = 0.0

    def read(self, t_ns: int) -> Reading:
        self._advance(t_ns)
        position = self.body.position + self.slip_rad
        return Reading(position, self.body.velocity, self._torque, self.temperature_C, self.supply_V)

    def enable(self, t_ns: int, on: bool) -> None:
        here = self.read(t_ns).position_rad
        self.on, self._forward, self._demand = on, 0.0, (t_ns, 0, here, here)

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None:
        self._advance(t_ns)
        self.limits = (negative_Nm, positive_Nm)

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None:
        self._advance(t_ns)
        self._forward = torque_ff_Nm
        self._demand = (t_ns, over_ns, self.demand_rad(t_ns), target_rad)

    def push(self, t_ns: int, torque_Nm: float) -> None:
        raise AssertionError("nobody asked for a torque mode")

    def demand_rad(self, t_ns: int) -> float:
        since, over, start, end = self._demand
        return end if t_ns >= since + over else start + (end - start) * (t_ns - since) / over

    def _advance(self, t_ns: int) -> None:
        while self._t_ns < t_ns:
            at = min(self._t_ns + STEP_NS, t_ns)
            since, over, start, end = self._demand
            rate = (end - start) * 1e9 / over if self._t_ns < since + over else 0.0
            error = self.demand_rad(self._t_ns) - self.body.position - self.slip_rad
            torque = 150.0 * error + 5.0 * (rate - self.body.velocity) + self._forward
            self._torque = min(max(torque, -self.limits[0]), self.limits[1]) if self.on else 0.0
            self.motor.torque = self.turns * self._torque
            self.motor.advance(at)
            self._t_ns = at


class Wire:
    """What really was on the bus, and when it ended; taken down by a station that never sends."""

    def __init__(self, bus: VirtualBus) -> None:
        self.frames: list[Frame] = []
        bus.attach(self.frames.append)

    def energising(self, since_ns: int = 0) -> list[Frame]:
        """Frames that bring a CiA 402 drive nearer to torque, or move it. By CiA 301 and CiA 402 alone."""
        return [f for f in self.frames if f.t_ns > since_ns and energises(f)]

    def controls(self, node: int, since_ns: int = 0) -> list[int]:
        frames = [f for f in self.frames if f.can_id == 0x200 + node and f.t_ns > since_ns]
        return [int.from_bytes(f.data, "little") for f in frames]

    def set_points(self, since_ns: int = 0) -> list[Frame]:
        return [f for f in self.frames if 0x301 <= f.can_id <= 0x37F and f.t_ns > since_ns]


def energises(frame: Frame) -> bool:
    """Written from CiA 301 (COB-IDs, SDO command bytes) and CiA 402 (controlword bits), without the project's maps.

    Controlword: enable operation is bits 0..3 = 1111, switch on x111, shut down x110 arms the way there; fault reset
    is bit 7. A set-point (RPDO2) moves. A download to 0x6040 or 0x607A..0x6072 by SDO does the same by another door.
    """
    if 0x201 <= frame.can_id <= 0x27F:
        word = int.from_bytes(frame.data, "little")
        return word & 0x06 == 0x06 or bool(word & 0x80)
    if 0x301 <= frame.can_id <= 0x37F:
        return True
    if 0x601 <= frame.can_id <= 0x67F and len(frame.data) == 8 and frame.data[0] >> 5 == 1:
        return int.from_bytes(frame.data[1:3], "little") in (0x6040, 0x607A, 0x6071, 0x60B2)
    return False


def identity_of(setup: Setup, axis: int, **changes: int) -> Identity:
    want = setup.identity[axis]
    numbers = {"vendor": want.vendor, "product": want.product, "revision": want.revision, "serial": want.serial}
    return Identity(**{key: value or 0 for key, value in (numbers | changes).items()})


@dataclass
class Leg:
    """Bus, bodies, drives, and a loop on them. faults are put in before or during a run, at the parts themselves."""

    setup: Setup = field(default_factory=make_setup)
    identities: Sequence[Identity] = ()
    node_ids: Sequence[int] = ()

    def __post_init__(self) -> None:
        setup = self.setup
        self.bus = VirtualBus(setup.bit_rate)
        self.wire = Wire(self.bus)
        count = len(setup.axes)
        self.bodies = [Body() for _ in range(count)]
        self.axes = [PlainAxis(body, body) for body in self.bodies]
        identities = self.identities or [identity_of(setup, i) for i in range(count)]
        ids = self.node_ids or [axis.node for axis in setup.axes]
        self.nodes = [
            DriveNode(self.bus, node, axis, identity, _config(wiremap.position_signal().scale))
            for node, axis, identity, wiremap in zip(ids, self.axes, identities, setup.axes, strict=True)
        ]
        self.link = Adapter(self.bus)
        self.events: list[str] = []
        self.log: list[bytes] = []
        self.rest = 0.0
        self.loop = Loop(self.link, setup, _Log(self.log), self.events.append)

    @property
    def now(self) -> int:
        return self.bus.now_ns

    def precheck(self) -> Permit:
        self.wait(50 * MS)
        return run_precheck(self.loop).permit

    def wait(self, span_ns: int) -> None:
        """Time passes and nobody looks, as before the program starts."""
        self.bus.run(self.bus.now_ns + span_ns)

    def states(self) -> list[int]:
        """Statuswords, asked of the drives themselves."""
        return [node.statusword() for node in self.nodes]

    def energised(self) -> list[bool]:
        return [status & 0x6F == 0x27 for status in self.states()]

    def stretch(self, joint: int, speed: float, seconds: float, hold_ns: int = 500 * MS) -> Stretch:
        """From the demand in force: one axis at a constant speed."""
        start = self.loop.demand()
        period = self.setup.period_ns
        rows = []
        for k in range(round(seconds * S / period) + 1):
            row = list(start)
            row[joint] = row[joint]._replace(position_rad=row[joint].position_rad + speed * k * period * 1e-9)
            rows.append(tuple(row))
        return Stretch(self.loop.rules.names, tuple(k * period for k in range(len(rows))), tuple(rows), hold_ns)


class Adapter(VirtualLink):
    """The host's end. drop: answers whether a frame for the host is lost; mute: whether one of ours never leaves."""

    def __init__(self, bus: VirtualBus) -> None:
        super().__init__(bus)
        self.drop: Callable[[Frame], bool] = lambda frame: False
        self.mute: Callable[[Frame], bool] = lambda frame: False

    def send(self, frame: Frame) -> None:
        if not self.mute(frame):
            super().send(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        return [frame for frame in super().pump(until_ns) if not self.drop(frame)]


class _Log:
    def __init__(self, lines: list[bytes]) -> None:
        self._lines = lines

    def write(self, data: bytes, /) -> None:
        self._lines.append(data)


def _config(scale: float) -> DriveConfig:
    return DriveConfig(sign=1 if scale > 0 else -1)


def shorter(setup: Setup, permit_ns: int) -> Setup:
    """The same leg with permits that end sooner."""
    return replace(setup, permit_ns=permit_ns)
