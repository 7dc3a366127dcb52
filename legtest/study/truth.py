"""What a simulated leg's quantities really are, from its parts: what a measured value and its U are held against.

Never used for a verdict. Quantities whose truth depends on the motion itself (paths, return, drift) are not here.
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
    return {
        "home_shift": 0.0 if not axis.lost_counts_per_s else None,
        "backlash": axis.backlash_rad,
        "coulomb_friction": axis.friction_Nm,
        "viscous_friction": axis.viscous_Nms_per_rad,
        "holding_torque_ratio": 1 / axis.torque_scale,
        "stiffness_ratio": axis.torque_scale,
        "yield_ratio": axis.torque_scale,
        "holding_drift": 0.0,
    }.get(quantity)
