"""The monitor fed one violation after another: every rule must answer with a stop."""

from __future__ import annotations

from typing import Any

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, WireMap
from legtest.safety.monitor import AxisState, MonitorState, step
from legtest.safety.permit import Grant
from legtest.safety.rules import Rules
from legtest.safety.setup import Setup


def untripped_rules(state: MonitorState, rules: Rules, setup: Setup) -> list[str]:
    """Names of the rules that did not react to their violation; the state given is not changed."""
    now = state.last_ns + rules.period_ns
    axis = setup.axes[0]
    count = len(setup.axes)
    energised, mask = axis.is_energised.value, axis.is_energised.mask
    grant = Grant("motion", tuple(range(count)), setup.torque_Nm, now + 10**12)
    demand = tuple(Point(a.position, 0.0, cap) for a, cap in zip(state.axes, setup.torque_Nm, strict=True))
    axes = tuple(
        a._replace(status=w.is_energised.value, velocity=0.0, sampled=state.cycle + 1, over=0)
        for a, w in zip(state.axes, setup.axes, strict=True)
    )
    good = state._replace(axes=axes, grant=grant, enabled=True, demand=demand, homed=False, reaction=None, proving=())

    def first(**changes: Any) -> tuple[AxisState, ...]:
        return (axes[0]._replace(**changes), *axes[1:])

    joint = setup.joints[0]
    beyond = tuple(a._replace(position=1e3) for a in axes)
    short = Frame(now, axis.position_signal().can_id, b"\0")
    cases: dict[str, tuple[MonitorState, list[Frame], int]] = {
        "decode": (good, [short], now),
        "foreign master": (good, [Frame(now, setup.sync_id, b"")], now),
        "boot-up": (good, [Frame(now, axis.heartbeat_id, b"\0")], now),
        "emergency": (good, [Frame(now, axis.emergency_id, b"\x10\x10\0\0\0\0\0\0")], now),
        "telemetry age": (good._replace(axes=first(sampled=state.cycle - rules.age_cycles)), [], now),
        "drive fault": (good._replace(axes=first(status=axis.is_fault.value)), [], now),
        "drive state": (good._replace(axes=first(status=energised ^ (mask & -mask))), [], now),
        "torque": (good._replace(axes=first(over=10)), [], now),
        "following error": (good._replace(axes=first(position=axes[0].position + 2 * setup.following_rad)), [], now),
        "supply": (good._replace(axes=first(supply=setup.supply_V[1] + 1)), [], now),
        "temperature": (good._replace(axes=first(temperature=setup.temperature_C[1] + 1)), [], now),
        "speed": (good._replace(axes=first(velocity=2 * joint.speed_rad_s)), [], now),
        "position": (good._replace(axes=beyond, homed=True, demand=None), [], now),
        "deadline": (good, [], now + (rules.age_cycles + 2) * rules.period_ns),
        "permit": (good._replace(grant=grant._replace(end_ns=now)), [], now),
        "position jump": (good._replace(axes=first(sampled=state.cycle)), [_jumped(axis, axes[0].position)], now),
    }
    asleep = []
    for name, (case, frames, at) in cases.items():
        after, _, reasons = step(at, frames, case, rules)
        if after.reaction is None or name not in {reason.rule for reason in reasons}:
            asleep.append(name)
    quiet, stop_frames, reasons = step(now, [], good, rules)
    if reasons or stop_frames or quiet.reaction is not None:
        asleep.append("a healthy leg is left alone")
    return asleep


def _jumped(axis: WireMap, position_rad: float) -> Frame:
    """The answer of an energised drive whose encoder is suddenly a radian off."""
    signal = axis.position_signal()
    status = next(s for s in axis.feedback if s.role == "statusword")
    raw = round((position_rad - signal.offset) / signal.scale)
    step = round(1 / abs(signal.scale))
    raw += -step if raw > 0 else step
    payload = axis.is_energised.value << status.start_bit | (raw & ((1 << signal.bits) - 1)) << signal.start_bit
    answer = [s for s in axis.feedback if s.can_id == signal.can_id]
    length = (max(s.start_bit + s.bits for s in answer) + 7) // 8
    return Frame(0, signal.can_id, payload.to_bytes(length, "little"))
