"""The first half of a pass of the monitor: every frame is read into the axes; what must not be there is a reason.

Answers are dated by the SYNC they follow. One that comes after its own cycle is read as of that cycle, so that neither
a lost nor a late answer looks like speed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import DecodeError
from legtest.safety.rules import (
    ERRORS_A_SECOND,
    MIDDLE_OF,
    PUSH_S,
    PUSH_SHARE,
    PUSH_STILL_RAD,
    SLIP_KEPT,
    SLIP_RAD,
    WARM_S,
    Rules,
    hidden_rad,
)
from legtest.safety.state import AxisState, MonitorState, Push, Reason, Slip, Still, Warm

BUS_OFF = 0x40  # error class in the identifier of an error frame, Linux' can/error.h
SECOND_NS = 1_000_000_000
_OFF, _STOP = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF
Object = Callable[[str, str, str, str, Reaction], None]  # adds a reason, made of these


def read_frames(
    now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules, reasons: list[Reason]
) -> tuple[tuple[AxisState, ...], tuple[int, ...]]:
    """The axes as these frames show them, and the instants of the error frames of the last second."""
    axes, errors = list(state.axes), [t_ns for t_ns in state.errors_ns if now_ns - t_ns < SECOND_NS]
    cycle = state.cycle + 1
    ours = sum(1 for frame in frames if frame[3] & SENT and frame[1] == rules.sync_id)
    of_cycle = cycle - ours  # the cycle whose SYNC came last

    def add(rule: str, subject: str, value: str, limit: str, reaction: Reaction) -> None:
        reasons.append(Reason(rule, subject, value, limit, reaction))

    for _, can_id, data, flags in frames:
        if flags & SENT:
            of_cycle += can_id == rules.sync_id
        elif flags & ERROR:
            errors.append(now_ns)
            if can_id & BUS_OFF:
                add("bus errors", "bus", "the adapter has gone bus-off", "an adapter that takes part", _STOP)
        elif flags & EXTENDED:
            continue  # another space of identifiers, of which we use none
        elif can_id in rules.feedback:
            index = rules.feedback[can_id][0]
            if flags & (REMOTE | FD | BRS):
                add("decode", rules.names[index], f"frame 0x{can_id:X} is remote or FD", "frames as mapped", _STOP)
            else:
                axes[index] = _fed(axes[index], can_id, data, (of_cycle, now_ns), state, rules, add)
        elif can_id in rules.ours:
            add("foreign master", f"0x{can_id:X}", "another program sends this frame", "one master", _STOP)
        else:
            _said(can_id, data, state, rules, add)
    if len(errors) > ERRORS_A_SECOND:
        add("bus errors", "bus", f"{len(errors)} error frames in a second", f"{ERRORS_A_SECOND}", _STOP)
    return tuple(axes), tuple(errors)


def of_lost_connection(code: int) -> bool:
    """Whether an emergency code says that the host is missed (CiA 301): 81xxh, communication, or 8250h, no RPDO."""
    return code >> 8 == 0x81 or code == 0x8250


def _said(can_id: int, data: bytes, state: MonitorState, rules: Rules, add: Object) -> None:
    """Heartbeats and emergency messages; whatever else is on the bus is none of ours."""
    if can_id in rules.heartbeats and data[:1] == b"\0":
        add("boot-up", rules.names[rules.heartbeats[can_id]], "the drive started again", "no restart", _STOP)
    elif can_id in rules.emergencies:
        index, code = rules.emergencies[can_id], int.from_bytes(data[:2], "little")
        if len(data) != 8:
            add("decode", rules.names[index], f"emergency of {len(data)} bytes", "8 bytes", _STOP)
        elif code and not (index in state.proving and of_lost_connection(code)):
            add("emergency", rules.names[index], f"code 0x{code:04X}", "none", _STOP)


def _fed(
    axis: AxisState,
    can_id: int,
    data: bytes,
    when: tuple[int, int],
    state: MonitorState,
    rules: Rules,
    add: Object,
) -> AxisState:
    """An axis after one of its frames. when: the cycle it answers, and now."""
    index, roles, values = rules.feedback[can_id]
    try:
        read = values(data)
    except DecodeError as error:
        add("decode", rules.names[index], str(error), "frames as mapped", _STOP)
        return axis
    if roles[0] == "statusword":
        if when[0] <= axis.sampled:
            return axis  # said twice, or too late to matter
        return _fast(axis, data, read, when[0], index, state, rules, add)
    slow = dict(zip(roles, read, strict=True))
    if "velocity" in slow and axis.sampled == when[0]:
        axis = axis._replace(slip=_slip(axis, slow["velocity"], rules))
    if "temperature" in slow:
        warm = _warm(axis.warm, when[1], slow["temperature"])
        axis = axis._replace(temperature=slow["temperature"], warm=warm, temperature_at=when[0])
    return axis._replace(supply=slow["supply"], supply_at=when[0]) if "supply" in slow else axis


def _fast(
    axis: AxisState,
    data: bytes,
    read: tuple[float, ...],
    cycle: int,
    index: int,
    state: MonitorState,
    rules: Rules,
    add: Object,
) -> AxisState:
    """Statusword, position and torque of a cycle."""
    status, position, torque = int(read[0]), read[1], read[2]
    velocity = steady = 0.0
    trail: tuple[float, ...] = ()
    # While a zero is set the position steps without motion: there is no torque then, and no speed to be had.
    if axis.sampled >= 0 and not state.homing:
        span_s = (cycle - axis.sampled) * rules.period_s
        moved = position - axis.position
        velocity, limit = moved / span_s, rules.jump_rad + rules.jump_rad_s * span_s
        if state.grant is not None and abs(moved) > limit:
            add("position jump", rules.names[index], f"{moved:+.3f} rad in one step", f"{limit:.3f} rad", _OFF)
        trail = (*axis.trail, velocity)[-MIDDLE_OF:]
        steady = sorted(trail)[MIDDLE_OF // 2] if len(trail) == MIDDLE_OF else velocity
    point = None if state.demand is None else state.demand[index]
    cap = rules.torque_Nm[index] if point is None else point.torque_cap_Nm
    demand = position if point is None else point.position_rad
    over = axis.over + 1 if abs(torque) > 1.1 * cap + rules.torque_slack_Nm[index] else 0
    same = data == axis.still.raw and point is not None
    still = axis.still._replace(samples=axis.still.samples + 1) if same else Still(data, 1, demand)
    strong = cap > rules.gentle_Nm[index] and abs(torque) > PUSH_SHARE * cap
    return AxisState(
        status, position, velocity, torque, axis.temperature, axis.supply, cycle, over, steady, trail,
        still, Slip() if state.homing else axis.slip, axis.warm,
        _push(axis.push, cycle, demand, position, rules) if strong else Push(),
        axis.supply_at, axis.temperature_at,
    )  # fmt: skip


def _push(before: Push, cycle: int, demand_rad: float, position_rad: float, rules: Rules) -> Push:
    """Begun anew when the joint moves after all, and every quarter of a second."""
    moving = abs(position_rad - before.position_rad) >= PUSH_STILL_RAD
    if before.cycle < 0 or moving or (cycle - before.cycle) * rules.period_s > PUSH_S:
        return Push(cycle, demand_rad, position_rad)
    return before


def _slip(axis: AxisState, velocity_rad_s: float, rules: Rules) -> Slip:
    """Compare with the drive's own velocity, which comes with the position of the same cycle."""
    before = axis.slip
    span_s = (axis.sampled - before.cycle) * rules.period_s
    if before.cycle < 0:
        return Slip(axis.sampled, axis.position, velocity_rad_s)
    unexplained = axis.position - before.position_rad - (before.velocity_rad_s + velocity_rad_s) / 2 * span_s
    excess = max(0.0, abs(unexplained) - hidden_rad(span_s))
    residual = SLIP_KEPT * before.residual_rad + (excess if unexplained > 0 else -excess)
    doubts = before.doubts + 1 if abs(residual) > SLIP_RAD else 0
    return Slip(axis.sampled, axis.position, velocity_rad_s, residual, doubts)


def _warm(before: Warm, now_ns: int, celsius: float) -> Warm:
    """A new rate every half second."""
    if before.t_ns < 0:
        return Warm(now_ns, celsius)
    span_s = (now_ns - before.t_ns) * 1e-9
    return before if span_s < WARM_S else Warm(now_ns, celsius, (celsius - before.celsius) / span_s)
