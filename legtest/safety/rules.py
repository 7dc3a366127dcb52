"""A set-up made ready for the monitor: look-ups and limits worked out once, before anything moves."""

from __future__ import annotations

from dataclasses import dataclass, field

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Decoder, Reaction, StatusTest, feedback_decoders
from legtest.safety.sdo import request_id
from legtest.safety.setup import HOST_NODE, STOP_DECELERATION, JointLimits, Setup, stop_latency_s

CONTACT_MARGIN_RAD = 0.1  # beyond the drawing's end stop a gentle joint may still go: tolerance of stop and zero
RESTING_RAD_S = 0.1  # noise of a speed taken from two encoder readings


@dataclass(slots=True)
class Rules:
    """Everything `step` looks up. Made from a Setup by `rules_of`; never changed afterwards."""

    names: tuple[str, ...]
    period_ns: int
    period_s: float
    latency_s: float
    deceleration: float
    feedback: dict[int, tuple[int, tuple[str, ...], Decoder]]
    heartbeats: dict[int, int]
    emergencies: dict[int, int]
    ours: frozenset[int]
    is_off: tuple[StatusTest, ...]
    is_energised: tuple[StatusTest, ...]
    is_fault: tuple[StatusTest, ...]
    stop: dict[Reaction, tuple[tuple[Frame, ...], ...]]
    terms: tuple[tuple[tuple[int, float], ...], ...]  # per joint: which actuators turn it, and by how much
    joints: tuple[JointLimits, ...]
    torque_Nm: tuple[float, ...]
    torque_slack_Nm: tuple[float, ...]
    following_rad: float
    supply_V: tuple[float, float]
    temperature_C: tuple[float, float]
    jump_rad_s: float
    age_cycles: int
    jump_rad: float = 0.03
    speed_slack: float = 1.2
    _contact: tuple[tuple[float, float], ...] = field(default=())

    def room(self, joint: int, cap_Nm: float, speed_rad_s: float) -> tuple[float, float]:
        """Where a joint may be: inside its limits, or out to its end stops when it moves gently."""
        j = self.joints[joint]
        if cap_Nm <= 1.01 * j.contact_torque_Nm and abs(speed_rad_s) <= 2 * j.contact_speed_rad_s:
            return self._contact[joint]
        return j.low_rad, j.high_rad

    def outside(self, joint: int, cap_Nm: float, angle_rad: float, speed_rad_s: float, age_s: float = 0.0) -> str:
        """Why a joint may not be where it is, or where braking would leave it; "" = it may.

        Checked as an envelope: the angle, what has passed since it was seen (age_s) and will before braking begins, and
        the braking distance. A leg that
        rests beyond its limits, but within its stops, may come back or stay.
        """
        low, high = self.room(joint, cap_Nm, speed_rad_s)
        reach = abs(speed_rad_s) * (self.latency_s + age_s) + speed_rad_s**2 / (2 * self.deceleration)
        stop_low, stop_high = self._contact[joint]
        if angle_rad > high or (speed_rad_s > 0 and angle_rad + reach > high):
            returning = speed_rad_s <= RESTING_RAD_S and angle_rad <= stop_high
        elif angle_rad < low or (speed_rad_s < 0 and angle_rad - reach < low):
            returning = speed_rad_s >= -RESTING_RAD_S and angle_rad >= stop_low
        else:
            return ""
        return "" if returning else f"{low:+.4f}..{high:+.4f} rad"

    def confirm_ns(self, reaction: Reaction, speed_rad_s: float) -> int:
        """How long a stop may take before it is escalated: one and a half ramps and 20 ms, or a few periods."""
        if reaction == Reaction.OFF_NOW:
            return 3 * self.period_ns
        return int(1.5e9 * speed_rad_s / self.deceleration) + 20_000_000 + 3 * self.period_ns


def rules_of(setup: Setup) -> Rules:
    """Work out a monitor's look-ups from a set-up."""
    feedback: dict[int, tuple[int, tuple[str, ...], Decoder]] = {}
    for index, axis in enumerate(setup.axes):
        for can_id, decoder in feedback_decoders(axis).items():
            feedback[can_id] = (index, decoder.roles, decoder.values)
    ours = {setup.sync_id, 0x000, 0x700 + HOST_NODE}
    for axis in setup.axes:
        ours |= {request_id(axis.node)} | {s.can_id for s in axis.command} | {e.frame.can_id for e in axis.enable}
    widest = max(sum(abs(c) for c in row) for row in setup.joint_of_actuator)
    fastest = widest * max(j.speed_rad_s for j in setup.joints)
    return Rules(
        names=tuple(axis.axis for axis in setup.axes),
        period_ns=setup.period_ns,
        period_s=setup.period_ns * 1e-9,
        latency_s=stop_latency_s(setup),
        deceleration=STOP_DECELERATION,
        feedback=feedback,
        heartbeats={axis.heartbeat_id: i for i, axis in enumerate(setup.axes)},
        emergencies={axis.emergency_id: i for i, axis in enumerate(setup.axes)},
        ours=frozenset(ours),
        is_off=tuple(axis.is_off for axis in setup.axes),
        is_energised=tuple(axis.is_energised for axis in setup.axes),
        is_fault=tuple(axis.is_fault for axis in setup.axes),
        stop={reaction: tuple(axis.stop[reaction] for axis in setup.axes) for reaction in Reaction},
        terms=tuple(tuple((i, c) for i, c in enumerate(row) if c) for row in setup.joint_of_actuator),
        joints=setup.joints,
        torque_Nm=setup.torque_Nm,
        torque_slack_Nm=tuple(0.02 * torque for torque in setup.torque_Nm),
        following_rad=setup.following_rad,
        age_cycles=setup.age_cycles,
        supply_V=setup.supply_V,
        temperature_C=setup.temperature_C,
        jump_rad_s=1.5 * fastest,
        _contact=tuple(
            (j.travel_low_rad - CONTACT_MARGIN_RAD, j.travel_high_rad + CONTACT_MARGIN_RAD) for j in setup.joints
        ),
    )
