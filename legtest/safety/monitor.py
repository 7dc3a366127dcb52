"""The motion monitor: a pure step from frames to reasons, the same simulated, live, in replay and in proof.

No clock, no I/O, no logging. `step` is given the instant, every frame received and sent since the last step, the state
and the rules; it answers the next state, the frames that stop the leg, and the reasons.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import DecodeError
from legtest.safety.permit import Grant
from legtest.safety.rules import Rules

NMT_STOP_ALL = Frame(0, 0x000, b"\x02\x00")
TORQUE_SAMPLES = 3
UNCONFIRMED_CYCLES = 3


class AxisState(NamedTuple):
    """Last known of one axis, at the actuator. sampled: the cycle of the last position; -1 = none yet."""

    status: int = 0
    position: float = 0.0
    velocity: float = 0.0
    torque: float = 0.0
    temperature: float | None = None
    supply: float | None = None
    sampled: int = -1
    over: int = 0


class MonitorState(NamedTuple):
    """grant: what is permitted now, None = nothing may be energised. enabled: the enable sequence is complete.

    demand: set-points in force at this instant. proving: axes whose reaction to lost communication is being proven.
    reaction: the stop being carried out; until_ns: when it must be confirmed; silent: no heartbeat any more.
    """

    cycle: int
    axes: tuple[AxisState, ...]
    last_ns: int
    grant: Grant | None = None
    enabled: bool = False
    demand: tuple[Point, ...] | None = None
    homed: bool = False
    proving: tuple[int, ...] = ()
    reaction: Reaction | None = None
    until_ns: int = 0
    silent: bool = False


class Reason(NamedTuple):
    """Why the leg is stopped: the rule, the axis or joint, what was seen, what is allowed, and how it is stopped."""

    rule: str
    subject: str
    value: str
    limit: str
    reaction: Reaction

    def __str__(self) -> str:
        return f"{self.rule}, {self.subject}: {self.value}, allowed {self.limit}"


def initial(axes: int, now_ns: int) -> MonitorState:
    return MonitorState(0, tuple(AxisState() for _ in range(axes)), now_ns)


def step(
    now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules
) -> tuple[MonitorState, tuple[Frame, ...], tuple[Reason, ...]]:
    """One pass. Returns the next state, the stop frames to send now, and every reason found in this pass."""
    cycle = state.cycle + 1
    reasons: list[Reason] = []
    axes = _take(frames, cycle, state, rules, reasons)
    grant = state.grant
    if grant is not None:
        gap, most = now_ns - state.last_ns, (rules.age_cycles + 1) * rules.period_ns
        if gap > most:
            reasons.append(Reason("deadline", "host", f"no pass for {gap / 1e6:.1f} ms", f"{most / 1e6:g} ms", _STOP))
        if now_ns >= grant.end_ns:
            reasons.append(Reason("permit", grant.kind, "its end is reached", "motion before its end", _LOWER))
        for index in grant.axes:
            _check_axis(index, axes[index], cycle, state, rules, reasons)
        if grant.kind == "motion":
            _check_joints(axes, state, rules, reasons)
    return _react(now_ns, cycle, axes, state, rules, reasons)


_OFF, _STOP, _LOWER = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF, Reaction.LOWER_THEN_OFF


def _take(
    frames: Sequence[Frame], cycle: int, state: MonitorState, rules: Rules, reasons: list[Reason]
) -> tuple[AxisState, ...]:
    """Read every frame into the axes; what must not be on the bus becomes a reason."""
    axes = list(state.axes)
    feedback, ours, heartbeats, emergencies = rules.feedback, rules.ours, rules.heartbeats, rules.emergencies
    for _, can_id, data, flags in frames:
        if flags & SENT:
            continue
        feed = feedback.get(can_id)
        if feed is not None:
            index, roles, values = feed
            try:
                read = values(data)
            except DecodeError as error:
                reasons.append(Reason("decode", rules.names[index], str(error), "frames as mapped", _STOP))
                continue
            if roles[0] == "statusword":
                axes[index] = _fed(axes[index], read, cycle, index, state, rules, reasons)
            else:
                slow = dict(zip(roles, read, strict=True))
                axis = axes[index]
                axes[index] = axis._replace(
                    temperature=slow.get("temperature", axis.temperature), supply=slow.get("supply", axis.supply)
                )
        elif can_id in ours:
            who = f"0x{can_id:X}"
            reasons.append(Reason("foreign master", who, "another program sends this frame", "one master", _STOP))
        elif can_id in heartbeats:
            if data[:1] == b"\0":
                name = rules.names[heartbeats[can_id]]
                reasons.append(Reason("boot-up", name, "the drive started again", "no restart", _STOP))
        elif can_id in emergencies:
            index, code = emergencies[can_id], int.from_bytes(data[:2], "little")
            if code and index not in state.proving:
                reasons.append(Reason("emergency", rules.names[index], f"code 0x{code:04X}", "none", _STOP))
    return tuple(axes)


def _fed(
    axis: AxisState,
    read: tuple[float, ...],
    cycle: int,
    index: int,
    state: MonitorState,
    rules: Rules,
    reasons: list[Reason],
) -> AxisState:
    status, position, torque = int(read[0]), read[1], read[2]
    velocity = axis.velocity
    if axis.sampled >= 0 and cycle > axis.sampled:
        moved = position - axis.position
        span_s = (cycle - axis.sampled) * rules.period_s
        velocity = moved / span_s
        if state.grant is not None and abs(moved) > rules.jump_rad + rules.jump_rad_s * span_s:
            limit = f"{rules.jump_rad + rules.jump_rad_s * span_s:.3f} rad"
            reasons.append(Reason("position jump", rules.names[index], f"{moved:+.3f} rad in one step", limit, _OFF))
    cap = rules.torque_Nm[index] if state.demand is None else state.demand[index].torque_cap_Nm
    over = axis.over + 1 if abs(torque) > 1.1 * cap + rules.torque_slack_Nm[index] else 0
    return AxisState(status, position, velocity, torque, axis.temperature, axis.supply, cycle, over)


def _check_axis(
    index: int, axis: AxisState, cycle: int, state: MonitorState, rules: Rules, reasons: list[Reason]
) -> None:
    name = rules.names[index]
    if index in state.proving:
        return
    age = cycle - axis.sampled
    if age > rules.age_cycles:
        reasons.append(Reason("telemetry age", name, f"{age} cycles", f"{rules.age_cycles} cycles", _STOP))
    if rules.is_fault[index].holds(axis.status):
        reasons.append(Reason("drive fault", name, f"statusword 0x{axis.status:04X}", "no fault", _STOP))
    elif state.enabled and not rules.is_energised[index].holds(axis.status):
        reasons.append(Reason("drive state", name, f"statusword 0x{axis.status:04X}", "operation enabled", _STOP))
    if axis.over >= TORQUE_SAMPLES:
        cap = rules.torque_Nm[index] if state.demand is None else state.demand[index].torque_cap_Nm
        reasons.append(Reason("torque", name, f"{axis.torque:.2f} N*m", f"{cap:.2f} N*m", _STOP))
    if state.demand is not None and state.enabled:
        error = state.demand[index].position_rad - axis.position
        if abs(error) > rules.following_rad:
            limit = f"{rules.following_rad:.3f} rad"
            reasons.append(Reason("following error", name, f"{error:+.3f} rad", limit, _STOP))
    low, high = rules.supply_V
    if axis.supply is not None and not low <= axis.supply <= high:
        reaction = _OFF if axis.supply > high else _STOP
        reasons.append(Reason("supply", name, f"{axis.supply:.1f} V", f"{low:g}..{high:g} V", reaction))
    low, high = rules.temperature_C
    if axis.temperature is not None and not low <= axis.temperature <= high:
        reasons.append(Reason("temperature", name, f"{axis.temperature:.1f} degC", f"{low:g}..{high:g} degC", _LOWER))


def _check_joints(axes: tuple[AxisState, ...], state: MonitorState, rules: Rules, reasons: list[Reason]) -> None:
    """Speed of every joint and, once the leg knows its zero, position as an envelope that counts braking."""
    for j, (terms, joint) in enumerate(zip(rules.terms, rules.joints, strict=True)):
        speed = 0.0
        for i, c in terms:
            speed += c * axes[i].velocity
        if abs(speed) > rules.speed_slack * joint.speed_rad_s:
            reasons.append(Reason("speed", joint.name, f"{speed:+.2f} rad/s", f"{joint.speed_rad_s:.2f} rad/s", _STOP))
        if not state.homed:
            continue
        angle = 0.0
        for i, c in terms:
            angle += c * axes[i].position
        cap = rules.torque_Nm[j] if state.demand is None else state.demand[j].torque_cap_Nm
        age = max([state.cycle + 1 - axes[i].sampled for i, _ in terms])
        if allowed := rules.outside(j, cap, angle, speed, age * rules.period_s):
            value = f"{angle:+.4f} rad at {speed:+.2f} rad/s"
            reasons.append(Reason("position", joint.name, value, allowed, _STOP))


def _react(
    now_ns: int, cycle: int, axes: tuple[AxisState, ...], state: MonitorState, rules: Rules, reasons: list[Reason]
) -> tuple[MonitorState, tuple[Frame, ...], tuple[Reason, ...]]:
    """Begin, carry on or escalate a stop; one axis stops all."""
    reaction, until, silent = state.reaction, state.until_ns, state.silent
    asked = min((reason.reaction for reason in reasons), default=None)
    if asked is not None and (reaction is None or asked < reaction):
        reaction = asked
        until = now_ns + rules.confirm_ns(asked, max(abs(axis.velocity) for axis in axes))
    frames: tuple[Frame, ...] = ()
    if reaction is not None and reaction <= _STOP:
        moving = [
            i for i, axis in enumerate(axes) if not rules.is_off[i].holds(axis.status) or cycle - axis.sampled > 1
        ]
        if moving and now_ns > until:
            if not silent:
                reasons.append(Reason("stop", rules.names[moving[0]], "not confirmed", "off in time", _OFF))
            if reaction == _OFF:
                silent = True
                frames = (NMT_STOP_ALL,)
            reaction, until = _OFF, now_ns + UNCONFIRMED_CYCLES * rules.period_ns
        frames += tuple(f for i in moving for f in rules.stop[reaction][i])
    after = MonitorState(
        cycle, axes, now_ns, state.grant, state.enabled, state.demand, state.homed, state.proving,
        reaction, until, silent,
    )  # fmt: skip
    return after, frames, tuple(reasons)
