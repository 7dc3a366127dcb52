"""The motion monitor: a pure step from frames to reasons, the same simulated, live, in replay and in proof.

No clock, no I/O, no logging. `step` is given the instant, every frame received and sent since the last step, the state
and the rules; it answers the next state, the frames that stop the leg, and the reasons.
"""

from __future__ import annotations

from collections.abc import Sequence

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.safety.limits import check_drive, check_host, check_joints, check_motion, check_supply, strained
from legtest.safety.reading import read_frames
from legtest.safety.rules import RISING_RAD_S, Rules
from legtest.safety.state import AxisState, MonitorState, Reason, initial

__all__ = ["AxisState", "MonitorState", "Reason", "initial", "step"]

NMT_STOP_ALL = Frame(0, 0x000, b"\x02\x00")
UNCONFIRMED_CYCLES = 3
Passed = tuple[MonitorState, tuple[Frame, ...], tuple[Reason, ...]]
_OFF, _STOP = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF


def step(now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules) -> Passed:
    """One pass. Returns the next state, the stop frames to send now, and every reason found in this pass."""
    cycle = state.cycle + 1
    reasons: list[Reason] = []
    axes, errors = read_frames(now_ns, frames, state, rules, reasons)
    grant, count = state.grant, 0
    if grant is not None:
        check_host(now_ns, state, rules, reasons)
        for index in grant.axes:
            check_drive(index, axes[index], cycle, state, rules, reasons)
            check_motion(index, axes[index], state, rules, reasons)
        count = strained(axes, state, rules, reasons)
        check_joints(axes, state, rules, reasons)
    if state.keyed or grant is not None:
        for index, axis in enumerate(axes):
            if index not in state.proving:
                check_supply(index, axis, rules, reasons)
    return _react(
        now_ns, cycle, axes, state._replace(strained=count, errors_ns=errors, asked=state.demand), rules, reasons
    )


def _react(
    now_ns: int, cycle: int, axes: tuple[AxisState, ...], state: MonitorState, rules: Rules, reasons: list[Reason]
) -> Passed:
    """Begin, carry on or escalate a stop; one axis stops all."""
    reaction, until, silent, slowest = state.reaction, state.until_ns, state.silent, state.slowest
    asked = min((reason.reaction for reason in reasons), default=None)
    if asked is not None and (reaction is None or asked < reaction):
        reaction, slowest = asked, -1.0
        until = now_ns + rules.confirm_ns(asked, max(abs(axis.velocity) for axis in axes))
    elif reaction == _STOP:
        under_power = [abs(axis.velocity) for i, axis in enumerate(axes) if not rules.is_off[i].holds(axis.status)]
        speed = max(under_power, default=0.0)
        if 0.0 <= slowest < speed - RISING_RAD_S:
            reasons.append(Reason("stop", "leg", f"faster again, {speed:.2f} rad/s", f"{slowest:.2f} rad/s", _OFF))
            reaction, until = _OFF, now_ns + rules.confirm_ns(_OFF, 0.0)
        slowest = speed if slowest < 0.0 else min(slowest, speed)
    frames: tuple[Frame, ...] = ()
    if reaction is not None and reaction <= _STOP:
        moving = [
            i for i, axis in enumerate(axes) if not rules.is_off[i].holds(axis.status) or cycle - axis.sampled > 1
        ]
        if moving and now_ns > until and (state.grant is not None or state.unconfirmed):
            if not silent:
                reasons.append(Reason("stop", rules.names[moving[0]], "not confirmed", "off in time", _OFF))
            if reaction == _OFF:
                silent = True
                # It overtakes controlwords, and a stopped node hears none: those have their time on the bus first.
                if state.said_ns is None or 0 <= state.said_ns <= now_ns - rules.period_ns // 2:
                    frames = (NMT_STOP_ALL,)
            reaction, until = _OFF, now_ns + UNCONFIRMED_CYCLES * rules.period_ns
        # A drive that looks off may have been told to come on a moment ago, and not have heard it yet.
        told = range(len(axes)) if state.unsettled else moving
        frames += tuple(f for i in told for f in rules.stop[reaction][i])
    after = state._replace(
        cycle=cycle, axes=axes, last_ns=now_ns, reaction=reaction, until_ns=until, silent=silent, slowest=slowest
    )
    return after, frames, tuple(reasons)
