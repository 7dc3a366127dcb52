"""The second half of a pass of the monitor: what the axes show is held against the limits in force."""

from __future__ import annotations

from legtest.canbus.wiremap import Reaction
from legtest.safety.rules import (
    AWAY_RAD,
    POWER_SAMPLES,
    PUSH_DEMAND_RAD,
    RESTING_RAD_S,
    SATURATED,
    SELDOM_CYCLES,
    SLIP_DOUBTS,
    STILL_RAD,
    STILL_SAMPLES,
    TORQUE_SAMPLES,
    Rules,
)
from legtest.safety.state import AxisState, MonitorState, Reason

_OFF, _STOP, _LOWER = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF, Reaction.LOWER_THEN_OFF


def check_host(now_ns: int, state: MonitorState, rules: Rules, reasons: list[Reason]) -> None:
    """The host itself: it was not away, and its permit has not ended."""
    gap, most = now_ns - state.last_ns, (rules.age_cycles + 1) * rules.period_ns
    if gap > most:
        reasons.append(Reason("deadline", "host", f"no pass for {gap / 1e6:.1f} ms", f"{most / 1e6:g} ms", _STOP))
    if state.grant is not None and now_ns >= state.grant.end_ns:
        reasons.append(Reason("permit", state.grant.kind, "its end is reached", "motion before its end", _LOWER))


def check_drive(
    index: int, axis: AxisState, cycle: int, state: MonitorState, rules: Rules, reasons: list[Reason]
) -> None:
    """An energised axis: what its drive says of itself, and how old that is."""
    name, status = rules.names[index], f"statusword 0x{axis.status:04X}"
    age = cycle - axis.sampled
    if age > rules.age_cycles:
        reasons.append(Reason("telemetry age", name, f"{age} cycles", f"{rules.age_cycles} cycles", _STOP))
    for what, value, at in (
        ("supply", axis.supply, axis.supply_at),
        ("temperature", axis.temperature, axis.temperature_at),
    ):
        if value is not None and cycle - at > SELDOM_CYCLES:
            reasons.append(Reason("telemetry age", name, f"{what} {cycle - at} cycles", f"{SELDOM_CYCLES}", _STOP))
    if index in state.proving:
        pass  # it is to leave its operation by itself, and may call that a fault
    elif rules.is_fault[index].holds(axis.status):
        reasons.append(Reason("drive fault", name, status, "no fault", _STOP))
    elif state.enabled and not rules.is_energised[index].holds(axis.status):
        reasons.append(Reason("drive state", name, status, "operation enabled", _STOP))
    low, high = rules.temperature_C
    if axis.temperature is not None and not low <= axis.temperature <= high:
        reasons.append(Reason("temperature", name, f"{axis.temperature:.1f} degC", f"{low:g}..{high:g} degC", _LOWER))
    rate, most = axis.warm.rate_K_s, rules.temperature_rate_K_s
    if rate > most:
        reasons.append(Reason("temperature rate", name, f"{rate:.1f} K/s", f"{most:g} K/s", _LOWER))


def check_supply(index: int, axis: AxisState, rules: Rules, reasons: list[Reason]) -> None:
    """The motor supply, looked at whenever a permit is alive: an emergency stop between two tests voids it."""
    name, (low, high), voltage = rules.names[index], rules.supply_V, rules.voltage[index]
    if axis.supply is not None and not low <= axis.supply <= high:
        reaction = _OFF if axis.supply > high else _STOP
        reasons.append(Reason("supply", name, f"{axis.supply:.1f} V", f"{low:g}..{high:g} V", reaction))
    elif voltage is not None and axis.sampled >= 0 and not voltage.holds(axis.status):
        reasons.append(Reason("supply", name, f"statusword 0x{axis.status:04X}: no voltage", "motor voltage", _STOP))


def check_motion(index: int, axis: AxisState, state: MonitorState, rules: Rules, reasons: list[Reason]) -> None:
    """An energised axis: torque and position against what it was asked for, and against each other."""
    name = rules.names[index]
    point = None if state.demand is None else state.demand[index]
    cap = rules.torque_Nm[index] if point is None else point.torque_cap_Nm
    if axis.over >= TORQUE_SAMPLES:
        reasons.append(Reason("torque", name, f"{axis.torque:.2f} N*m", f"{cap:.2f} N*m", _STOP))
    if axis.slip.doubts >= SLIP_DOUBTS:
        value = f"{axis.slip.residual_rad:+.3f} rad more by position than by velocity"
        reasons.append(Reason("encoder slip", name, value, "both the same", _OFF))
    if point is None or state.homing or not rules.is_energised[index].holds(axis.status):
        return
    error, limit = point.position_rad - axis.position, rules.following_rad
    trial = state.grant is not None and state.grant.kind == "trial"
    if abs(error) > limit:
        # A trial is there to find out whether the feedback can be trusted: until then nothing brakes on its word.
        reaction = _OFF if trial else _STOP
        reasons.append(Reason("following error", name, f"{error:+.3f} rad", f"{limit:.3f} rad", reaction))
    elif trial and abs(error) > AWAY_RAD and _leaving(index, error, axis.velocity, state, rules):
        value = f"{error:+.3f} rad and going away at {axis.velocity:+.2f} rad/s"
        reasons.append(Reason("following error", name, value, "a motion towards its demand", _OFF))
    went = abs(point.position_rad - axis.still.demand_rad)
    if axis.still.samples >= STILL_SAMPLES and went > STILL_RAD and abs(axis.torque) < SATURATED * cap:
        value = f"{axis.still.samples} answers the same while the demand went {went:.3f} rad"
        reasons.append(Reason("stuck telemetry", name, value, "answers that change", _OFF))
    pushed = abs(point.position_rad - axis.push.demand_rad)
    if axis.push.cycle >= 0 and pushed > PUSH_DEMAND_RAD:
        value = f"{axis.torque:.2f} N*m while the demand went {pushed:.3f} rad"
        reasons.append(Reason("torque without motion", name, value, "a joint that moves", _STOP))


def _leaving(index: int, error_rad: float, velocity_rad_s: float, state: MonitorState, rules: Rules) -> bool:
    """Whether an axis moves away from its demand, and not because the demand comes back to it."""
    if state.demand is None or state.asked is None or abs(velocity_rad_s) <= RESTING_RAD_S:
        return False
    came = state.demand[index].position_rad - state.asked[index].position_rad
    growing = error_rad * (came - velocity_rad_s * rules.period_s) > 0
    return growing and error_rad * velocity_rad_s < 0


def strained(axes: tuple[AxisState, ...], state: MonitorState, rules: Rules, reasons: list[Reason]) -> int:
    """For how many samples in a row the axes together have given or taken more power than they may."""
    power = sum([abs(axis.torque * axis.velocity) for axis in axes])
    count = state.strained + 1 if power > rules.power_W else 0
    if count >= POWER_SAMPLES:
        reasons.append(Reason("power", "leg", f"{power:.0f} W", f"{rules.power_W:.0f} W", _STOP))
    return count


def check_joints(axes: tuple[AxisState, ...], state: MonitorState, rules: Rules, reasons: list[Reason]) -> None:
    """Speed of every joint and, once the leg knows its zero, position as an envelope that counts braking."""
    for j, (terms, joint) in enumerate(zip(rules.terms, rules.joints, strict=True)):
        steady = speed = angle = 0.0
        for i, c in terms:
            steady += c * axes[i].steady
            speed += c * axes[i].velocity
            angle += c * axes[i].position
        if abs(steady) > rules.speed_slack * joint.speed_rad_s:
            reasons.append(Reason("speed", joint.name, f"{steady:+.2f} rad/s", f"{joint.speed_rad_s:.2f} rad/s", _STOP))
        if not state.homed:
            continue
        cap = rules.torque_Nm[j] if state.demand is None else state.demand[j].torque_cap_Nm
        age = max([state.cycle + 1 - axes[i].sampled for i, _ in terms])
        if allowed := rules.outside(j, cap, angle, speed, age * rules.period_s):
            value = f"{angle:+.4f} rad at {speed:+.2f} rad/s"
            reasons.append(Reason("position", joint.name, value, allowed, _STOP))
