"""The catalogue of what the built-in procedures measure: one name per quantity, used in criteria, verdicts, history.

Criteria in a leg file are checked against these names, and procedures take their names from here, so a misspelt
criterion is found before anything moves. A user's own quantities need no entry.
"""

from __future__ import annotations

from legtest.dynamic_quantities import DYNAMIC
from legtest.electric_quantities import ELECTRIC
from legtest.quantity import Quantity

__all__ = ["QUANTITIES", "Quantity"]


_ALL = (
    Quantity(
        "homing_repeatability",
        "homing repeatability",
        "angle",
        "how far apart the same joint angle lies after each of several homings against its end stop",
    ),
    Quantity(
        "home_shift",
        "home shift",
        "angle",
        "how far the home position moved during a test that should leave it where it was",
        "away",
    ),
    Quantity(
        "travel_error",
        "travel error",
        "angle",
        "travel measured from end stop to end stop minus the travel of the drawing",
        "away",
    ),
    Quantity(
        "backlash",
        "backlash",
        "angle",
        "free play of the joint: how far it turns between the two directions of a small torque without resisting",
    ),
    Quantity(
        "coulomb_friction",
        "Coulomb friction",
        "torque",
        "the part of the friction torque that does not depend on speed, mean of both directions",
    ),
    Quantity(
        "viscous_friction",
        "viscous friction",
        "angular_damping",
        "growth of the friction torque with speed, mean of both directions",
    ),
    Quantity(
        "holding_torque_ratio",
        "holding torque ratio",
        "ratio",
        "torque the drive reports for holding a known mass over the torque that the mass exerts",
        "away",
        1.0,
    ),
    Quantity(
        "stiffness_ratio",
        "stiffness ratio",
        "ratio",
        "stiffness the joint shows against a load over the stiffness that was commanded",
        "away",
        1.0,
    ),
    Quantity(
        "yield_ratio",
        "yield ratio",
        "ratio",
        "torque at which the joint gives way over the torque cap that was commanded",
        "away",
        1.0,
    ),
    Quantity(
        "return_error",
        "return error",
        "angle",
        "where the joint comes to rest after a push is taken away, minus where it rested before",
        "away",
    ),
    Quantity(
        "holding_drift",
        "holding drift",
        "angle",
        "how far the joint creeps while it holds a constant load",
        "away",
    ),
    Quantity(
        "path_residual",
        "path residual",
        "length",
        "root mean square distance of the foot from its commanded path, delay and gain error taken out",
    ),
    Quantity(
        "path_delay",
        "path delay",
        "time",
        "how long the foot runs behind its commanded path",
    ),
    Quantity(
        "path_gain_error",
        "path gain error",
        "ratio",
        "size of the foot's path over the size of the commanded one, minus one",
        "away",
    ),
    Quantity(
        "path_accuracy",
        "path accuracy AT",
        "length",
        "largest distance between the commanded path and the mean of the attained paths (ISO 9283, AT)",
    ),
    Quantity(
        "path_repeatability",
        "path repeatability RT",
        "length",
        "largest spread of the attained paths about their mean, mean distance plus three deviations (ISO 9283, RT)",
    ),
    Quantity(
        "following_error",
        "peak following error",
        "angle",
        "largest difference between commanded and measured joint angle at one instant during a path",
    ),
    Quantity(
        "telemetry_loss",
        "telemetry loss",
        "ratio",
        "expected telemetry frames that did not arrive over all expected ones",
    ),
    Quantity(
        "carriage_drag",
        "carriage drag",
        "force",
        "friction force between carriage and rail, mean of moving up and down",
    ),
    # Friction, torque, stiffness and geometry.
    Quantity(
        "breakaway_friction",
        "breakaway friction",
        "torque",
        "friction that holds the joint at rest until it lets go, mean of both directions and of the angles",
    ),
    Quantity(
        "friction_asymmetry",
        "friction asymmetry",
        "ratio",
        "friction of turning in the positive direction over the mean of both directions, minus one",
        "away",
    ),
    Quantity(
        "torque_ripple",
        "torque ripple",
        "torque",
        "root mean square of the torque that comes and goes with the angle of the motor, friction taken out",
    ),
    Quantity(
        "ripple_order",
        "largest ripple order",
        "torque",
        "amplitude of the strongest order of the torque ripple; which one it is stands beside it",
    ),
    Quantity(
        "stribeck_friction",
        "Stribeck friction",
        "torque",
        "friction at the slowest motion minus the Coulomb part that is left when the joint turns faster",
    ),
    Quantity(
        "torque_constant_ratio",
        "torque constant ratio",
        "ratio",
        "torque that the joint gives, by a known mass, over the torque that the drive reports, at small torque",
        "away",
        1.0,
    ),
    Quantity(
        "torque_saturation",
        "torque saturation",
        "ratio",
        "share of the torque that is missing at rated torque because torque does not grow evenly with current",
        "away",
    ),
    Quantity(
        "load_friction",
        "load friction",
        "ratio",
        "friction that comes with the load, over the load: what a gear loses, driving or driven back",
    ),
    Quantity(
        "rendered_stiffness_ratio",
        "rendered stiffness ratio",
        "ratio",
        "stiffness the joint shows while a known load comes and goes over the stiffness that was commanded",
        "away",
        1.0,
    ),
    Quantity(
        "rendered_damping_ratio",
        "rendered damping ratio",
        "ratio",
        "damping of the joint's position loop, its torque known by a mass, over the damping that was commanded",
        "away",
        1.0,
    ),
    Quantity(
        "reversal_value",
        "reversal value B",
        "angle",
        "where a position is reached from below minus where from above, largest of several positions (ISO 230-2, B)",
    ),
    Quantity(
        "positioning_repeatability",
        "two-directional repeatability R",
        "angle",
        "spread of the positions reached from both directions, largest of several positions (ISO 230-2, R)",
    ),
    Quantity(
        "kinematic_residual",
        "kinematic residual",
        "length",
        "root mean square of the height of the hip read on the rail minus that from the joint angles",
    ),
    Quantity(
        "thigh_error",
        "thigh length error",
        "length",
        "length of the thigh that the heights on the rail ask for minus that of the drawing",
        "away",
    ),
    Quantity(
        "shank_error",
        "shank length error",
        "length",
        "length of the shank that the heights on the rail ask for minus that of the drawing",
        "away",
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in (*_ALL, *ELECTRIC, *DYNAMIC)}
