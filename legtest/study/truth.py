"""What a simulated leg's quantities really are, from its parts: what a measured value and its U are held against.

Never used for a verdict. What a motion defines (responses, paths, landings) is in
`legtest.study.motions`; return and drift are in neither.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import TYPE_CHECKING

from legtest.description.model import LegDescription

if TYPE_CHECKING:
    from legtest.simulation.plant import Plant

# RP = mean distance + 3 standard deviations of it, over sigma, for normal scatter along one axis: the distances are
# half-normal with mean sqrt(2/pi) and variance 1 - 2/pi.
RP_OF_NORMAL = sqrt(2 / pi) + 3 * sqrt(1 - 2 / pi)


def truth(plant: Plant, leg: LegDescription, quantity: str, subject: str) -> float | None:
    """The true value, SI, as the quantity is defined; None where the parts alone do not say."""
    if quantity == "telemetry_loss":
        return 1 - (1 - plant.frame_loss) ** 2  # the SYNC or the answer
    if quantity == "carriage_drag":
        return plant.stand.rail_friction_N
    if quantity == "source_resistance":
        return plant.supply.source_ohm
    if quantity in ("thigh_error", "shank_error"):
        drawn = leg.geometry
        return plant.thigh_m - drawn.thigh_m if quantity == "thigh_error" else plant.shank_m - drawn.shank_m
    if subject not in plant.joints:
        return None
    number = plant.joints.index(subject)
    axis, stop = plant.axes[number], plant.stops[number]
    if quantity == "travel_error":
        # The play of every motor that moves the joint counts as travel.
        play = sum(abs(c) * a.backlash_rad for c, a in zip(leg.coupling[number], plant.axes, strict=True))
        low, high = leg.joints[number].travel_rad
        return axis.gear_scale * (stop.high_rad - stop.low_rad) + play - (high - low)
    if quantity == "homing_repeatability":
        return RP_OF_NORMAL * stop.scatter_rad if not stop.loose_rad else None
    found: float | None = {
        "home_shift": 0.0 if not axis.lost_counts_per_s else None,
        "backlash": axis.backlash_rad,
        "coulomb_friction": axis.friction_Nm,
        "breakaway_friction": axis.friction_Nm * (1 + axis.torque.stiction),
        "stribeck_friction": axis.friction_Nm * axis.torque.stiction,
        "friction_asymmetry": axis.torque.asymmetry,
        "load_friction": axis.torque.load_friction,
        "torque_ripple": sqrt(sum(r.amplitude_Nm**2 / 2 for r in axis.torque.ripple)) / axis.torque_scale,
        "ripple_order": max(r.amplitude_Nm for r in axis.torque.ripple) / axis.torque_scale,
        "torque_constant_ratio": axis.torque_scale,
        "torque_saturation": axis.torque.saturation / 3,
        "rendered_stiffness_ratio": axis.torque_scale
        * axis.stiffness_Nm_per_rad / leg.joints[number].drive.stiffness_Nm_per_rad,
        "rendered_damping_ratio": axis.torque_scale
        * axis.damping_Nms_per_rad / leg.joints[number].drive.damping_Nms_per_rad,
        "viscous_friction": axis.viscous_Nms_per_rad,
        "holding_torque_ratio": 1 / axis.torque_scale,
        "stiffness_ratio": axis.torque_scale
        * axis.stiffness_Nm_per_rad / leg.joints[number].drive.stiffness_Nm_per_rad,
        "yield_ratio": axis.torque_scale,
        "holding_drift": 0.0,
    }.get(quantity)
    return electric(plant, quantity, number) if found is None else found


def electric(plant: Plant, quantity: str, number: int) -> float | None:
    """The truth about a drive, its encoder and its winding."""
    axis, made = plant.axes[number], plant.axes[number].drive
    count = 2 * pi / axis.counts_per_turn
    whole = axis.heating_K_per_Nm2 + made.case_K_per_Nm2  # K per (N*m)^2 of current
    return {
        "identity_mismatches": float(made.revision_step != 0),
        "stray_motion": 0.0 if not any(a.drive.neighbour_share for a in plant.axes) else None,
        # At 0.3 rad/s; friction over the angle and temperature comes on top.
        "motion_torque": (axis.friction_Nm + 0.3 * axis.viscous_Nms_per_rad) / axis.torque_scale * made.torque_sign,
        "stuck_bits": float(made.stuck_bits),
        # Rounding adds the variance of an equal distribution over one count.
        "position_noise": count * sqrt(axis.noise_counts**2 + 1 / 12) if not made.stuck_bits else None,
        "torque_noise": axis.rated_torque_Nm * sqrt(0.002**2 + 0.001**2 / 12),
        "torque_zero": axis.torque.sense_offset_Nm,
        "offset_change": 0.0 if not made.turns_known else None,
        "reply_time": made.reply_s + made.reply_jitter_s / 2,
        "reply_time_p99": made.reply_s + 0.99 * made.reply_jitter_s,
        "loss_reaction_time": plant.loss_s * made.watchdog,
        "winding_rise": axis.heating_K_per_Nm2 * (axis.rated_torque_Nm / axis.sense_gain) ** 2,
        "winding_time": axis.heating_s,
        "continuous_torque": axis.torque_constant * sqrt((90.0 - plant.ambient_C) / whole),
    }.get(quantity)
