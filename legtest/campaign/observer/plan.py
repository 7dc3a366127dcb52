"""What the observer must know of a leg: plain data, made from the descriptions, never from the loop's own set-up."""

from __future__ import annotations

from dataclasses import dataclass

FRAME_BITS = 135  # eight data bytes at their worst stuffing, 11-bit identifier
FRAMES_BEFORE_A_STOP = 7  # three set-points, one frame already on the wire, three stops
LATENESS_NS = 1_000_000
DRIVE_NS = 1_000_000  # from a frame's end to the power stage
OFF_GRACE_NS = 20_000_000
FOLLOWING_NS = 150_000_000  # until a drive that runs away from its demand has a following error (0x6065, 0x6066)
STAY_RAD_S = 0.5  # above this speed a braked stop must not lose its power


@dataclass(frozen=True, slots=True)
class AxisPlan:
    """One actuator and the joint of the same number.

    rad_per_count, Nm_per_mille: with the drive's sign. cap_Nm: largest torque in motion; trial_cap_Nm: inside the
    pre-check; contact_Nm, contact_rad_s: how gently an end stop may be touched. Joint: low/high = where motion is
    allowed, travel = end stops, speed_rad_s = the allowed speed.
    """

    name: str
    node: int
    rad_per_count: float
    Nm_per_mille: float
    cap_Nm: float
    trial_cap_Nm: float
    contact_Nm: float
    contact_rad_s: float
    low_rad: float
    high_rad: float
    travel_low_rad: float
    travel_high_rad: float
    speed_rad_s: float


@dataclass(frozen=True, slots=True)
class WirePlan:
    """One leg on one bus. Instants and spans in ns; joint = joint_of_actuator x actuator angles.

    ramp_rad_s2: quick stop deceleration written to the drives. loss_ns: silence after which drives act by themselves.
    power_W, temperature_rate_K_s: limits of the whole leg and of each winding; inf where there is none.
    """

    axes: tuple[AxisPlan, ...]
    joint_of_actuator: tuple[tuple[float, ...], ...]
    period_ns: int
    loss_ns: int
    bit_rate: int
    ramp_rad_s2: float
    lower_rad_s: float
    following_rad: float
    supply_V: tuple[float, float]
    temperature_C: tuple[float, float]
    age_cycles: int = 3
    power_W: float = float("inf")
    temperature_rate_K_s: float = float("inf")
    host_node: int = 127
    sync_id: int = 0x080
    trial_ns: int = 2_000_000_000

    @property
    def bus_ns(self) -> int:
        """The frames that may stand before a stop, at their longest."""
        return FRAMES_BEFORE_A_STOP * FRAME_BITS * 1_000_000_000 // self.bit_rate

    @property
    def stop_ns(self) -> int:
        """From a violation that the host can see to its stop on the wire: a period, the bus, lateness."""
        return self.period_ns + self.bus_ns + LATENESS_NS

    def off_ns(self, reaction: str, speed_rad_s: float) -> int:
        """From the stop on the wire to the power stage being off. speed: at the actuator, when the stop began."""
        if reaction == "off":
            return DRIVE_NS + self.bus_ns
        return self.ramp_ns(speed_rad_s) * 3 // 2 + OFF_GRACE_NS + self.period_ns

    def ramp_ns(self, speed_rad_s: float) -> int:
        """How long braking takes."""
        return round(abs(speed_rad_s) / self.ramp_rad_s2 * 1e9)

    def joints(self, actuators: list[float]) -> list[float]:
        """Joint angles, or speeds, of actuator values."""
        return [sum(c * a for c, a in zip(row, actuators, strict=True)) for row in self.joint_of_actuator]
