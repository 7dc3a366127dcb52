"""From a CiA 402 drive's EDS and the leg file to plain data.

Object names, indices and bits are those of CiA 301 and CiA 402 (IEC 61800-7-201). The EDS says what the drive has;
a drive that lacks an object we need is refused here, before any bus is opened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import pi
from typing import NamedTuple

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import (
    EnableStep,
    HomeSetting,
    NodeIdentity,
    ObjectWrite,
    Pattern,
    Reaction,
    Signal,
    StatusTest,
    WireMap,
)
from legtest.description.model import JointDescription
from legtest.drives.base import BusTiming, CompiledDrive
from legtest.drives.eds import EdsObject, objects_of
from legtest.errors import DescriptionError, Problem

STEP_TIMEOUT_NS = 200_000_000
PRODUCER_HEARTBEAT_MS = 100
WINDING_TEMPERATURE = 0x2000  # optional, 0.1 degC; a drive without it gives no temperature
ERROR_CODE = 0x603F

# Bytes 0..8 of a PDO: object and width in bits.
_RPDO1 = ((0x6040, 16),)
_RPDO2 = ((0x607A, 32), (0x60B2, 16), (0x6072, 16))
_TPDO1 = ((0x6041, 16), (0x6064, 32), (0x6077, 16))
_TPDO2 = ((0x606C, 32), (0x6079, 32))
_TPDO3 = ((WINDING_TEMPERATURE, 16), (ERROR_CODE, 16))
VELOCITY_EVERY = 5  # cycles between two velocity and supply frames
TEMPERATURE_EVERY = 25  # cycles between two temperature frames


class _Pdo(NamedTuple):
    number: int  # 1, 2, 3
    transmit: bool  # seen from the drive
    kind: int  # transmission type, CiA 301
    objects: tuple[tuple[int, int], ...]

    def can_id(self, node: int) -> int:
        return (0x080 if self.transmit else 0x100) + 0x100 * self.number + node

    def writes(self, node: int) -> list[ObjectWrite]:
        """Switch off, map, set the type, switch on: the order CiA 301 asks for."""
        settings = (0x1800 if self.transmit else 0x1400) + self.number - 1
        mapping = (0x1A00 if self.transmit else 0x1600) + self.number - 1
        name = f"{'TPDO' if self.transmit else 'RPDO'}{self.number}"
        off = ObjectWrite(settings, 1, 4, 0x80000000 | self.can_id(node), f"{name} off while it is mapped")
        entries = [
            ObjectWrite(mapping, i, 4, index << 16 | bits, f"{name} entry {i}: 0x{index:04X}")
            for i, (index, bits) in enumerate(self.objects, 1)
        ]
        return [
            off,
            ObjectWrite(mapping, 0, 1, 0, f"{name} mapping cleared"),
            *entries,
            ObjectWrite(mapping, 0, 1, len(entries), f"{name} mapping of {len(entries)} objects"),
            ObjectWrite(settings, 2, 1, self.kind, f"{name} transmission type {self.kind}"),
            ObjectWrite(settings, 1, 4, self.can_id(node), f"{name} on"),
        ]


def compile_drive(
    joint: JointDescription, timing: BusTiming, box_rad: tuple[float, float], where: str
) -> CompiledDrive:
    """One joint's drive as data.

    box_rad: range of the actuator that the joints can reach, for the drive's own position limits once it is homed.
    where: the leg file, for messages. Raises DescriptionError when the EDS lacks an object or cannot be read.
    """
    drive = joint.drive
    objects = objects_of(drive.eds)
    pdos = [_Pdo(1, False, 255, _RPDO1), _Pdo(2, False, 1, _RPDO2), _Pdo(1, True, 1, _TPDO1), _Pdo(2, True, 5, _TPDO2)]
    if (WINDING_TEMPERATURE, 0) in objects:
        pdos.append(_Pdo(3, True, TEMPERATURE_EVERY, _TPDO3))
    loss_ms = timing.loss_ns // 1_000_000
    compiled = CompiledDrive(
        wiremap=_wiremap(joint, pdos, timing, box_rad),
        identity=NodeIdentity(drive.node, drive.vendor, drive.product, drive.revision, drive.serial),
        objects=(*_settings(joint, timing), *(w for pdo in pdos for w in pdo.writes(drive.node))),
        arm=ObjectWrite(0x1016, 1, 4, timing.host_node << 16 | loss_ms, f"host's heartbeat watched, {loss_ms} ms"),
        disarm=ObjectWrite(0x1016, 1, 4, 0, "host's heartbeat not watched"),
    )
    wrong = list(_unfit(objects, compiled, pdos))
    if wrong:
        text = f"{drive.eds} does not fit: {', '.join(wrong)}"
        raise DescriptionError((Problem(where, f"joints.{joint.name}.drive.eds", text),))
    return compiled


def _unfit(objects: Mapping[tuple[int, int], EdsObject], drive: CompiledDrive, pdos: list[_Pdo]) -> Iterator[str]:
    """What we read, map or write and the EDS does not have in that form."""
    home = drive.wiremap.home
    writes = (*drive.objects, drive.arm, drive.disarm, *(home.before + home.after if home else ()))
    written = {(w.entry, w.sub): w.size for w in writes}
    if home:
        written[home.position_index, 0] = home.position_size
    mapped = {(index, 0): bits // 8 for pdo in pdos for index, bits in pdo.objects}
    read = {(0x1018, sub): 4 for sub in (1, 2, 3, 4)}
    for (index, sub), size in sorted((read | mapped | written).items()):
        name, entry = f"0x{index:04X}:{sub:02X}", objects.get((index, sub))
        if entry is None:
            yield f"{name} is missing"
        elif entry.size != size:
            yield f"{name} has {entry.size} bytes, not {size}"
        elif (index, sub) in written and not entry.writable:
            yield f"{name} cannot be written"


def _counts(joint: JointDescription, radians: float) -> int:
    return round(radians * joint.drive.counts_per_turn / (2 * pi))


def _settings(joint: JointDescription, timing: BusTiming) -> list[ObjectWrite]:
    drive = joint.drive
    cap = round(joint.torque_Nm / drive.rated_torque_Nm * 1000)
    stop, window = timing.deceleration_rad_s2, 2 * timing.following_rad
    mantissa, exponent = interpolation_time(timing.period_ns)
    return [
        ObjectWrite(0x1017, 0, 2, PRODUCER_HEARTBEAT_MS, f"heartbeat of the drive every {PRODUCER_HEARTBEAT_MS} ms"),
        # Staying operational keeps the telemetry, so that the drive's own stop can be seen.
        ObjectWrite(0x1029, 1, 1, 1, "lost connection: the node stays operational"),
        ObjectWrite(0x6007, 0, 2, 3, "lost connection: quick stop"),
        ObjectWrite(0x605A, 0, 2, 2, "quick stop: on its ramp, then switch on disabled"),
        ObjectWrite(0x605B, 0, 2, 0, "shutdown: power off"),
        ObjectWrite(0x605C, 0, 2, 1, "disable operation: on the ramp"),
        ObjectWrite(0x605D, 0, 2, 2, "halt: on the quick stop ramp"),
        ObjectWrite(0x605E, 0, 2, 2, "fault: on the quick stop ramp"),
        ObjectWrite(0x6085, 0, 4, _counts(joint, stop), f"quick stop {stop:g} rad/s^2"),
        ObjectWrite(0x6072, 0, 2, cap, f"max torque {joint.torque_Nm:g} N*m"),
        ObjectWrite(0x6065, 0, 4, _counts(joint, window), f"following error {window:g} rad"),
        ObjectWrite(0x6066, 0, 2, 50, "following error for 50 ms"),
        ObjectWrite(0x607D, 1, 4, -(2**31), "no lower position limit before homing"),
        ObjectWrite(0x607D, 2, 4, 2**31 - 1, "no upper position limit before homing"),
        ObjectWrite(0x60C2, 1, 1, mantissa, f"interpolation time {mantissa} x 10^{exponent} s"),
        ObjectWrite(0x60C2, 2, 1, exponent, f"interpolation time {mantissa} x 10^{exponent} s"),
        ObjectWrite(0x6060, 0, 1, 8, "cyclic synchronous position"),
    ]  # fmt: skip


def interpolation_time(period_ns: int) -> tuple[int, int]:
    """0x60C2: mantissa (one byte) and power of ten whose product is nearest to the period.

    60 cycles/s need 167 x 10^-4 s; whole milliseconds would ripple the velocity by 2 %.
    """
    unit_ns = {exponent: int(10 ** (9 + exponent)) for exponent in range(-1, -7, -1)}

    def mantissa(exponent: int) -> int:
        return min(max(round(period_ns / unit_ns[exponent]), 1), 255)

    def error_ns(exponent: int) -> int:
        return abs(mantissa(exponent) * unit_ns[exponent] - period_ns)

    best = min(unit_ns, key=error_ns)  # of equals the coarsest
    return mantissa(best), best


def _wiremap(joint: JointDescription, pdos: list[_Pdo], timing: BusTiming, box_rad: tuple[float, float]) -> WireMap:
    drive = joint.drive
    node = drive.node
    angle = drive.sign * 2 * pi / drive.counts_per_turn
    torque = drive.sign * drive.rated_torque_Nm / 1000
    control_id = pdos[0].can_id(node)
    set_id = pdos[1].can_id(node)
    ids = [pdo.can_id(node) for pdo in pdos]
    feedback = [
        Signal("statusword", ids[2], 0, 16, False, 1.0),
        Signal("position", ids[2], 16, 32, True, angle),
        Signal("torque", ids[2], 48, 16, True, torque),
        Signal("velocity", ids[3], 0, 32, True, angle),
        Signal("supply", ids[3], 32, 32, False, 1e-3),
    ]
    if len(pdos) > 4:
        feedback += [Signal("temperature", ids[4], 0, 16, True, 0.1), Signal("error", ids[4], 16, 16, False, 1.0)]

    def control(word: int) -> Frame:
        return Frame(0, control_id, word.to_bytes(2, "little"))

    return WireMap(
        axis=joint.name,
        node=node,
        feedback=tuple(feedback),
        command=(
            Signal("position", set_id, 0, 32, True, angle),
            Signal("torque_ff", set_id, 32, 16, True, torque),
            Signal("torque_cap", set_id, 48, 16, False, drive.rated_torque_Nm / 1000),
        ),
        enable=(
            EnableStep(control(0x06), 0x6F, 0x21, STEP_TIMEOUT_NS),
            EnableStep(control(0x07), 0x6F, 0x23, STEP_TIMEOUT_NS),
            EnableStep(control(0x0F), 0x6F, 0x27, STEP_TIMEOUT_NS),
        ),
        stop={
            Reaction.OFF_NOW: (control(0x00),),
            Reaction.STOP_THEN_OFF: (control(0x02),),
            Reaction.LOWER_THEN_OFF: (control(0x02),),
            Reaction.HOLD: (),
        },
        energising=(Pattern(control_id, 0x0F, 0x0F), Pattern(control_id, 0x80, 0x80)),
        is_off=StatusTest(0x04, 0x00),
        is_energised=StatusTest(0x6F, 0x27),
        is_fault=StatusTest(0x08, 0x08),
        at_limit=StatusTest(0x800, 0x800),
        heartbeat_id=0x700 + node,
        emergency_id=0x080 + node,
        home=_home(joint, control, box_rad),
        status_object=(0x6041, 0),
    )


def _home(joint: JointDescription, control: Callable[[int], Frame], box_rad: tuple[float, float]) -> HomeSetting:
    low, high = sorted(_counts(joint, edge) * joint.drive.sign for edge in box_rad)
    return HomeSetting(
        before=(ObjectWrite(0x6060, 0, 1, 6, "homing mode"), ObjectWrite(0x6098, 0, 1, 37, "homing: present position")),
        position_index=0x607C,
        position_size=4,
        start=(control(0x1F),),
        done=StatusTest(0x3000, 0x1000),
        after=(
            ObjectWrite(0x6060, 0, 1, 8, "cyclic synchronous position"),
            ObjectWrite(0x607D, 1, 4, low, "lower end of the reachable range"),
            ObjectWrite(0x607D, 2, 4, high, "upper end of the reachable range"),
        ),
    )
