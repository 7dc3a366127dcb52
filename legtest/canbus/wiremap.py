"""What any drive compiles to: plain data that says which signals lie where and which frames do what.

Loop, gate, monitor, trace and replay run this and nothing else of a drive, so no drive code runs
where the leg is guarded. All values are SI and seen at the actuator: the gearbox output, positive as
the leg file says, before joint coupling.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from legtest.canbus.frame import Frame
from legtest.errors import DecodeError

FEEDBACK_ROLES = ("statusword", "position", "velocity", "torque", "temperature", "supply", "error")
COMMAND_ROLES = ("position", "torque_ff", "torque_cap")


class Reaction(IntEnum):
    """How the leg is brought to rest, most urgent first (stop categories 0 and 1 of IEC 60204-1)."""

    OFF_NOW = 0
    STOP_THEN_OFF = 1
    LOWER_THEN_OFF = 2
    HOLD = 3


class Signal(NamedTuple):
    """One value inside a frame: SI = raw * scale + offset.

    start_bit counts from bit 0 of byte 0 (little endian); bits is the width.
    """

    role: str
    can_id: int
    start_bit: int
    bits: int
    signed: bool
    scale: float
    offset: float = 0.0


class Point(NamedTuple):
    """One axis at one instant, at the actuator."""

    position_rad: float
    torque_ff_Nm: float
    torque_cap_Nm: float


class EnableStep(NamedTuple):
    """One step from off to energised: send `frame`, then wait until status & mask == value."""

    frame: Frame
    mask: int
    value: int
    timeout_ns: int


class StatusTest(NamedTuple):
    """A condition on the status signal: status & mask == value."""

    mask: int
    value: int

    def holds(self, status: int) -> bool:
        return status & self.mask == self.value


class Pattern(NamedTuple):
    """Frames with this identifier whose little-endian payload & mask == value."""

    can_id: int
    mask: int
    value: int

    def matches(self, frame: Frame) -> bool:
        return frame.can_id == self.can_id and int.from_bytes(frame.data, "little") & self.mask == self.value


class ObjectWrite(NamedTuple):
    """One object to write and read back before the drive may be energised."""

    entry: int  # index in the object dictionary
    sub: int
    size: int  # bytes
    value: int  # raw, negative for signed objects
    what: str  # for people, with unit: "max torque 9 N*m"


class NodeIdentity(NamedTuple):
    """Who must answer at this node id (0x1018 of CiA 301); None where the leg file does not say."""

    node: int
    vendor: int | None
    product: int | None
    revision: int | None
    serial: int | None


@dataclass(frozen=True, slots=True)
class HomeSetting:
    """How 'you are at this position' is told to an unpowered drive.

    before / after: objects written with the power off; the object `position_index` takes the raw position.
    start: frames sent when the drive is enabled at zero torque; done: the status that confirms.
    """

    before: tuple[ObjectWrite, ...]
    position_index: int
    position_size: int
    start: tuple[Frame, ...]
    done: StatusTest
    after: tuple[ObjectWrite, ...]


@dataclass(frozen=True, slots=True)
class WireMap:
    """One axis as the wire sees it."""

    axis: str
    node: int
    feedback: tuple[Signal, ...]
    command: tuple[Signal, ...]
    enable: tuple[EnableStep, ...]
    stop: Mapping[Reaction, tuple[Frame, ...]]
    energising: tuple[Pattern, ...]
    is_off: StatusTest
    is_energised: StatusTest
    is_fault: StatusTest
    at_limit: StatusTest
    heartbeat_id: int
    emergency_id: int
    home: HomeSetting | None
    status_object: tuple[int, int] | None = None  # index and sub-index of the status signal, where it can be read

    def position_signal(self) -> Signal:
        return next(signal for signal in self.feedback if signal.role == "position")


Decoder = Callable[[bytes], tuple[float, ...]]


class FrameDecoder(NamedTuple):
    """How one feedback frame is read: the roles in order, and the function that gives their values."""

    roles: tuple[str, ...]
    length: int
    values: Decoder


def feedback_decoders(wiremap: WireMap) -> dict[int, FrameDecoder]:
    """For each feedback frame of an axis, by identifier, how to read it.

    The function raises DecodeError for a payload of the wrong length.
    """
    by_id: dict[int, list[Signal]] = {}
    for signal in wiremap.feedback:
        by_id.setdefault(signal.can_id, []).append(signal)
    return {can_id: _decoder(can_id, signals) for can_id, signals in by_id.items()}


def _decoder(can_id: int, signals: Sequence[Signal]) -> FrameDecoder:
    length = (max(signal.start_bit + signal.bits for signal in signals) + 7) // 8
    plan = tuple(
        (s.start_bit, (1 << s.bits) - 1, 1 << (s.bits - 1) if s.signed else 0, s.scale, s.offset) for s in signals
    )

    def values(data: bytes) -> tuple[float, ...]:
        if len(data) != length:
            raise DecodeError(f"frame 0x{can_id:X} has {len(data)} bytes, its map says {length}")
        payload = int.from_bytes(data, "little")
        # (x ^ sign) - sign reads the top bit of a signed field as minus; with sign 0 it changes nothing.
        return tuple([
            ((((payload >> start) & mask) ^ sign) - sign) * scale + offset for start, mask, sign, scale, offset in plan
        ])  # fmt: skip

    return FrameDecoder(tuple(s.role for s in signals), length, values)


Encoder = Callable[[Point], bytes]


def setpoint_encoder(wiremap: WireMap) -> tuple[int, Encoder]:
    """The identifier of the axis' set-point frame and the function from a Point to its payload.

    The function raises ValueError for a value that its field cannot hold (never wraps).
    """
    ids = {signal.can_id for signal in wiremap.command}
    if len(ids) != 1:
        raise ValueError(f"axis {wiremap.axis}: set-points must lie in one frame, found {sorted(ids)}")
    length = (max(signal.start_bit + signal.bits for signal in wiremap.command) + 7) // 8
    fields = ("position", "torque_ff", "torque_cap")
    plan = []
    for s in wiremap.command:
        low, high = (-(1 << (s.bits - 1)), (1 << (s.bits - 1)) - 1) if s.signed else (0, (1 << s.bits) - 1)
        plan.append((fields.index(s.role), s.role, s.start_bit, (1 << s.bits) - 1, s.scale, s.offset, low, high))

    def encode(point: Point) -> bytes:
        payload = 0
        for field, role, start, mask, scale, offset, low, high in plan:
            raw = round((point[field] - offset) / scale)
            if not low <= raw <= high:
                raise ValueError(f"axis {wiremap.axis}: {role} {point[field]} does not fit its field")
            payload |= (raw & mask) << start
        return payload.to_bytes(length, "little")

    return ids.pop(), encode


def setpoint_decoder(wiremap: WireMap) -> Callable[[bytes], Point]:
    """The inverse of `setpoint_encoder`, for the gate and the trace."""
    signals = sorted(wiremap.command, key=lambda s: ("position", "torque_ff", "torque_cap").index(s.role))
    decoder = _decoder(signals[0].can_id, signals)

    def decode(data: bytes) -> Point:
        return Point._make(decoder.values(data))

    return decode
