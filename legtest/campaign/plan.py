"""From the descriptions to what the observer knows. Figures that no file says are those of the safety case."""

from __future__ import annotations

from math import sqrt, tau

from legtest.campaign.observer import AxisPlan, WirePlan
from legtest.description.model import BenchDescription, JointDescription, LegDescription

RAMP_RAD_S2 = 300.0
MARGIN_RAD = 0.3
FOLLOWING_RAD = 0.2
LOWER_RAD_S = 0.4
SUPPLY_V = (18.0, 60.0)
TEMPERATURE_C = (-20.0, 90.0)
TRIAL_SHARE = 0.15
POWER_SHARE = 0.5  # of the torque of all axes times their allowed speed
TEMPERATURE_RATE_K_S = 6.0


def plan_of(leg: LegDescription, bench: BenchDescription) -> WirePlan:
    """The plan of a leg on a bench."""
    period_s = 1.0 / bench.rate_hz
    age = 3 if bench.max_age_s is None else max(3, int(bench.max_age_s * bench.rate_hz))
    host_s = age * period_s + 0.5e-3 + 7 * 135 / bench.bit_rate + 1e-3
    slowest_s = max(host_s, bench.loss_s)
    allowed = RAMP_RAD_S2 * (sqrt(slowest_s**2 + 2 * MARGIN_RAD / RAMP_RAD_S2) - slowest_s)
    return WirePlan(
        axes=tuple(_axis(joint, min(joint.speed_rad_s, allowed)) for joint in leg.joints),
        joint_of_actuator=leg.coupling,
        period_ns=round(1e9 / bench.rate_hz),
        loss_ns=round(bench.loss_s * 1e9),
        bit_rate=bench.bit_rate,
        ramp_rad_s2=RAMP_RAD_S2,
        lower_rad_s=min(LOWER_RAD_S, *(joint.home.speed_rad_s for joint in leg.joints)),
        following_rad=FOLLOWING_RAD,
        supply_V=SUPPLY_V,
        temperature_C=TEMPERATURE_C,
        age_cycles=age,
        power_W=POWER_SHARE * sum(j.torque_Nm * min(j.speed_rad_s, allowed) for j in leg.joints),
        temperature_rate_K_s=TEMPERATURE_RATE_K_S,
    )


def _axis(joint: JointDescription, speed_rad_s: float) -> AxisPlan:
    drive = joint.drive
    return AxisPlan(
        joint.name, drive.node, drive.sign * tau / drive.counts_per_turn, drive.sign * drive.rated_torque_Nm / 1000,
        joint.torque_Nm, TRIAL_SHARE * joint.torque_Nm, joint.home.torque_Nm, joint.home.speed_rad_s,
        *joint.limits_rad, *joint.travel_rad, speed_rad_s,
    )  # fmt: skip
