"""A set-up made ready for the monitor: look-ups and limits worked out once, before anything moves."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Decoder, Reaction, StatusTest, feedback_decoders
from legtest.safety.sdo import request_id
from legtest.safety.setup import HOST_NODE, STOP_DECELERATION, JointLimits, Setup, stop_latency_s

CONTACT_MARGIN_RAD = 0.1  # beyond the drawing's end stop a gentle joint may still go: tolerance of stop and zero
SELDOM_CYCLES = 125  # five times the rarest answer that is mapped: one or two may be lost
RESTING_RAD_S = 0.1  # noise of a speed taken from two encoder readings

# Thresholds, each with the noise or the physics it comes from.
MIDDLE_OF = 3  # velocities: a lost set-point is caught up with in the next period, at twice the speed, but once only
POWER_SAMPLES = TORQUE_SAMPLES = 3  # an impact is over in two samples
STILL_SAMPLES = 4  # an energised axis that is asked to move changes position or torque by a count in each of them ...
STILL_RAD = 0.02  # ... by then: 200 counts of 16 bits of demand
SATURATED = 0.95  # of the cap: there torque and a blocked joint may rightly stand still
SLIP_RAD = 0.02  # motion that the drive's velocity must leave unexplained ...
SLIP_DOUBTS = 2  # ... at so many velocity frames in a row
SLIP_NOISE_RAD = 0.004  # a dozen counts of both position readings, and a noisy velocity over 20 ms
SLIP_KEPT = 0.8  # of the residual from one velocity frame to the next: noise is forgotten within five
SLIP_RAD_S2 = 100.0  # acceleration that two velocities may hide between them, impacts apart; see `hidden_rad`
PUSH_SHARE = 0.6  # of the cap: what friction and gravity of a healthy leg do not need for ...
PUSH_STILL_RAD = 0.02  # ... less than this, more than the wind-up of its transmissions, while ...
PUSH_DEMAND_RAD = 0.1  # ... the demand goes so far ...
PUSH_S = 0.25  # ... in this time
WARM_S = 0.5  # 0.1 K of resolution and of noise over it are 0.4 K/s
ERRORS_A_SECOND = 10  # a bus of 1e-6 bit errors and 30 % load has one error frame in three seconds
AWAY_RAD = 0.003  # in a trial: three times what a healthy drive overshoots a motion of 0.02 rad
RISING_RAD_S = 0.5  # after a quick stop: 5 times the noise of a speed from two readings


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
    voltage: tuple[StatusTest | None, ...]
    stop: dict[Reaction, tuple[tuple[Frame, ...], ...]]
    terms: tuple[tuple[tuple[int, float], ...], ...]  # per joint: which actuators turn it, and by how much
    joints: tuple[JointLimits, ...]
    torque_Nm: tuple[float, ...]
    torque_slack_Nm: tuple[float, ...]
    following_rad: float
    supply_V: tuple[float, float]
    temperature_C: tuple[float, float]
    temperature_rate_K_s: float
    power_W: float
    sync_id: int
    gentle_Nm: tuple[float, ...]
    jump_rad_s: float
    age_cycles: int
    jump_rad: float = 0.03
    speed_slack: float = 1.2
    _contact: tuple[tuple[float, float], ...] = field(default=())

    def room(self, joint: int, cap_Nm: float, speed_rad_s: float) -> tuple[float, float]:
        """Where a joint may be: inside its limits, or out to its end stops when it moves gently."""
        j = self.joints[joint]
        if cap_Nm <= self.gentle_Nm[joint] and abs(speed_rad_s) <= 2 * j.contact_speed_rad_s:
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
        """How long a stop may take before it is escalated: one and a half ramps and 20 ms, or a few periods.

        Three periods, where they are longer: an answer to see it by, and one that may be lost.
        """
        if reaction == Reaction.OFF_NOW:
            return 3 * self.period_ns
        return int(1.5e9 * speed_rad_s / self.deceleration) + max(20_000_000, 3 * self.period_ns)

    def slowed(self, speed_rad_s: float) -> Rules:
        """The same rules with no joint allowed to be faster than this."""
        slower = tuple(replace(joint, speed_rad_s=min(joint.speed_rad_s, speed_rad_s)) for joint in self.joints)
        return replace(self, joints=slower)


def hidden_rad(span_s: float) -> float:
    """How far the motion between two velocity readings may differ from their mean times the span.

    An acceleration a that changes its sign half-way: a span^2 / 4.
    """
    return SLIP_RAD_S2 * span_s**2 / 4 + SLIP_NOISE_RAD


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
        voltage=setup.voltage,
        stop={reaction: tuple(axis.stop[reaction] for axis in setup.axes) for reaction in Reaction},
        terms=tuple(tuple((i, c) for i, c in enumerate(row) if c) for row in setup.joint_of_actuator),
        joints=setup.joints,
        torque_Nm=setup.torque_Nm,
        torque_slack_Nm=tuple(0.02 * torque for torque in setup.torque_Nm),
        following_rad=setup.following_rad,
        age_cycles=setup.age_cycles,
        supply_V=setup.supply_V,
        temperature_C=setup.temperature_C,
        temperature_rate_K_s=setup.temperature_rate_K_s,
        power_W=setup.power_W,
        sync_id=setup.sync_id,
        gentle_Nm=tuple(1.01 * joint.contact_torque_Nm for joint in setup.joints),
        jump_rad_s=1.5 * fastest,
        _contact=tuple(
            (j.travel_low_rad - CONTACT_MARGIN_RAD, j.travel_high_rad + CONTACT_MARGIN_RAD) for j in setup.joints
        ),
    )
