"""All that the loop, the monitor and the gate know about a leg: plain data, made once at opening."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from legtest.canbus.wiremap import NodeIdentity, ObjectWrite, StatusTest, WireMap

AGE_CYCLES = 3
HOST_NODE = 127  # the node id our heartbeat speaks under (CiA 301 leaves the choice to the integrator)
BUS_LOAD_LIMIT = 0.60
WORST_SYNC_BITS = 55  # no data byte
WORST_FRAME_BITS = 135  # 8 data bytes, 11-bit identifier, worst stuffing: 55 + 10 * 8
SPEED_MARGIN_RAD = 0.3  # within which a leg must have stopped, whoever stops it
STOP_DECELERATION = 300.0  # rad/s^2 at the actuator, written to each drive as its quick stop ramp


@dataclass(frozen=True, slots=True)
class JointLimits:
    """limits: where motion is allowed; travel: the end stops by the drawing, reachable only gently.

    Gently means: with the joint's own actuator capped at contact_torque_Nm and slower than contact_speed_rad_s.
    """

    name: str
    low_rad: float
    high_rad: float
    travel_low_rad: float
    travel_high_rad: float
    speed_rad_s: float
    contact_torque_Nm: float
    contact_speed_rad_s: float


@dataclass(frozen=True, slots=True)
class Setup:
    """One leg on one bus. Matrices are tuples of rows; order of axes = order of joints.

    torque_Nm: largest cap of each actuator; trial_torque_Nm: cap inside the pre-check; arm / disarm: the object
    that makes each drive watch our heartbeat, None = the drive cannot; heartbeat_ns: how often we send it; loss_ns:
    when drives miss it. following_rad: largest distance between demand and position. power_W: most mechanical power of
    all axes together. temperature_rate_K_s: fastest rise of a winding. voltage: per axis the status that says that
    there is motor voltage, None = its status does not say. supply_switch: what takes the motor supply away by itself
    when our heartbeat stops, "" = nothing does.
    """

    period_ns: int
    sync_id: int
    bit_rate: int
    axes: tuple[WireMap, ...]
    identity: tuple[NodeIdentity, ...]
    objects: tuple[tuple[ObjectWrite, ...], ...]
    arm: tuple[ObjectWrite | None, ...]
    disarm: tuple[ObjectWrite | None, ...]
    joint_of_actuator: tuple[tuple[float, ...], ...]
    actuator_of_joint: tuple[tuple[float, ...], ...]
    joints: tuple[JointLimits, ...]
    torque_Nm: tuple[float, ...]
    trial_torque_Nm: tuple[float, ...]
    heartbeat_ns: int
    loss_ns: int
    following_rad: float
    lower_rad_s: float
    supply_V: tuple[float, float]
    temperature_C: tuple[float, float]
    description_sha256: str
    power_W: float
    temperature_rate_K_s: float
    voltage: tuple[StatusTest | None, ...]
    supply_switch: str = ""
    permit_ns: int = 1_800_000_000_000
    age_cycles: int = AGE_CYCLES  # oldest telemetry a powered leg may move on


def bus_load(setup: Setup) -> float:
    """Worst-case share of the bus taken by one cycle: SYNC, set-points, and every synchronous answer.

    Frames are counted at their worst stuffing (Davis et al. 2007: 55 + 10 n bits for n bytes), answers as if full.
    """
    frames = sum(1 + len({signal.can_id for signal in axis.feedback}) for axis in setup.axes)
    bits = WORST_SYNC_BITS + frames * WORST_FRAME_BITS
    return bits / setup.bit_rate / (setup.period_ns * 1e-9)


def allowed_speed(margin_rad: float, latency_s: float, deceleration: float = STOP_DECELERATION) -> float:
    """Fastest speed from which latency plus braking stays within a margin: v T + v^2 / (2 a) = m.

    Returns rad/s: v = a (-T + sqrt(T^2 + 2 m / a)).
    """
    return deceleration * (sqrt(latency_s**2 + 2 * margin_rad / deceleration) - latency_s)


def stop_latency_s(setup: Setup) -> float:
    """Time from a violation to the first braking, at worst.

    Two samples of age, one host period and half a millisecond of lateness, the stop frames behind a cycle's own,
    a millisecond in the drive.
    """
    period = setup.period_ns * 1e-9
    return 3 * period + 0.5e-3 + 7 * WORST_FRAME_BITS / setup.bit_rate + 1e-3
