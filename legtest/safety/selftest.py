"""The monitor fed one violation after another: every rule must answer with a stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from legtest.canbus.frame import ERROR, Frame
from legtest.canbus.wiremap import Point, WireMap
from legtest.safety.monitor import AxisState, MonitorState, step
from legtest.safety.permit import Grant
from legtest.safety.reading import BUS_OFF
from legtest.safety.rules import (
    POWER_SAMPLES,
    PUSH_DEMAND_RAD,
    SLIP_DOUBTS,
    STILL_RAD,
    STILL_SAMPLES,
    TORQUE_SAMPLES,
    Rules,
)
from legtest.safety.setup import Setup
from legtest.safety.state import Push, Slip, Still, Warm


class Violation(NamedTuple):
    """A state, and the frames and the instant of the pass in which one rule must react."""

    state: MonitorState
    frames: tuple[Frame, ...]
    now_ns: int


def untripped_rules(state: MonitorState, rules: Rules, setup: Setup) -> list[str]:
    """Names of the rules that did not react to their violation; the state given is not changed."""
    healthy = _healthy(state, rules, setup)
    now, first = state.last_ns + rules.period_ns, _changer(healthy)
    cases = {
        **_on_the_bus(healthy, now, setup),
        **_of_a_drive(healthy, first, now, rules, setup),
        **_of_motion(healthy, first, now, rules, setup),
        "deadline": Violation(healthy, (), now + (rules.age_cycles + 2) * rules.period_ns),
        "permit": Violation(healthy._replace(grant=_grant(healthy, now)), (), now),
    }
    asleep = []
    for name, (case, frames, at) in cases.items():
        after, _, reasons = step(at, frames, case, rules)
        if after.reaction is None or name not in {reason.rule for reason in reasons}:
            asleep.append(name)
    quiet, stop_frames, reasons = step(now, (), healthy, rules)
    if reasons or stop_frames or quiet.reaction is not None:
        asleep.append("a healthy leg is left alone")
    return asleep


def _healthy(state: MonitorState, rules: Rules, setup: Setup) -> MonitorState:
    """The leg as it is, made energised, at rest and permitted."""
    axes = tuple(
        AxisState(w.is_energised.value | (v.value if v else 0), a.position, sampled=state.cycle + 1)
        for a, w, v in zip(state.axes, setup.axes, rules.voltage, strict=True)
    )
    demand = tuple(Point(a.position, 0.0, cap) for a, cap in zip(axes, setup.torque_Nm, strict=True))
    grant = Grant("motion", tuple(range(len(axes))), setup.torque_Nm, state.last_ns + 10**12)
    return MonitorState(state.cycle, axes, state.last_ns, grant, enabled=True, keyed=True, demand=demand)


def _grant(state: MonitorState, end_ns: int) -> Grant:
    return Grant("motion", tuple(range(len(state.axes))), (0.0,) * len(state.axes), end_ns)


def _changer(state: MonitorState) -> Callable[..., MonitorState]:
    """A function that gives the state with its first axis changed."""

    def first(**changes: Any) -> MonitorState:
        return state._replace(axes=(state.axes[0]._replace(**changes), *state.axes[1:]))

    return first


def _on_the_bus(state: MonitorState, now: int, setup: Setup) -> dict[str, Violation]:
    axis = setup.axes[0]
    position = axis.position_signal()
    before = state._replace(axes=tuple(a._replace(sampled=state.cycle) for a in state.axes))
    return {
        "decode": Violation(state, (Frame(now, position.can_id, b"\0"),), now),
        "foreign master": Violation(state, (Frame(now, setup.sync_id, b""),), now),
        "boot-up": Violation(state, (Frame(now, axis.heartbeat_id, b"\0"),), now),
        "emergency": Violation(state, (Frame(now, axis.emergency_id, b"\x10\x10\0\0\0\0\0\0"),), now),
        "bus errors": Violation(state, (Frame(now, BUS_OFF, bytes(8), ERROR),), now),
        "position jump": Violation(before, (_jumped(axis, before.axes[0]),), now),
    }


def _of_a_drive(
    state: MonitorState, first: Callable[..., MonitorState], now: int, rules: Rules, setup: Setup
) -> dict[str, Violation]:
    axis, status = setup.axes[0], state.axes[0].status
    mask = axis.is_energised.mask
    states = {
        "telemetry age": first(sampled=state.cycle - rules.age_cycles),
        "drive fault": first(status=axis.is_fault.value),
        "drive state": first(status=status ^ (mask & -mask)),
        "supply": first(supply=setup.supply_V[1] + 1),
        "temperature": first(temperature=setup.temperature_C[1] + 1),
        "temperature rate": first(warm=Warm(0, 0.0, setup.temperature_rate_K_s + 0.1)),
    }
    return {name: Violation(case, (), now) for name, case in states.items()}


def _of_motion(
    state: MonitorState, first: Callable[..., MonitorState], now: int, rules: Rules, setup: Setup
) -> dict[str, Violation]:
    here = state.axes[0].position
    fast = setup.power_W / setup.torque_Nm[0]
    states = {
        "torque": first(over=TORQUE_SAMPLES),
        "power": first(torque=setup.torque_Nm[0], velocity=1.1 * fast)._replace(strained=POWER_SAMPLES - 1),
        "following error": first(position=here + 2 * setup.following_rad),
        "stuck telemetry": first(still=Still(b"", STILL_SAMPLES, here + 2 * STILL_RAD)),
        "encoder slip": first(slip=Slip(doubts=SLIP_DOUBTS)),
        "torque without motion": first(push=Push(0, here + 2 * PUSH_DEMAND_RAD, here)),
        "speed": first(steady=2 * setup.joints[0].speed_rad_s),
        "position": state._replace(
            axes=tuple(a._replace(position=1e3) for a in state.axes), homed=True, demand=None
        ),
    }  # fmt: skip
    return {name: Violation(case, (), now) for name, case in states.items()}


def _jumped(axis: WireMap, before: AxisState) -> Frame:
    """The answer of an energised drive whose encoder is suddenly a radian off."""
    signal = axis.position_signal()
    status = next(s for s in axis.feedback if s.role == "statusword")
    raw = round((before.position - signal.offset) / signal.scale)
    step = round(1 / abs(signal.scale))
    raw += -step if raw > 0 else step
    payload = before.status << status.start_bit | (raw & ((1 << signal.bits) - 1)) << signal.start_bit
    answer = [s for s in axis.feedback if s.can_id == signal.can_id]
    length = (max(s.start_bit + s.bits for s in answer) + 7) // 8
    return Frame(0, signal.can_id, payload.to_bytes(length, "little"))
