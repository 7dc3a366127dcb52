"""The catalogue of what the built-in procedures measure: one name per quantity, used in criteria, verdicts, history.

Criteria in a leg file are checked against these names, and procedures take their names from here, so a misspelt
criterion is found before anything moves. A user's own quantities need no entry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable property of a leg.

    kind: see legtest.units. what: one sentence for people.
    worse: "larger" = a larger value is worse; "away" = worse the further from `target`, on either side.
    """

    name: str
    title: str
    kind: str
    what: str
    worse: Literal["larger", "away"] = "larger"
    target: float = 0.0

    def badness(self, value: float) -> float:
        """A number in the quantity's SI unit that grows as the leg gets worse; for comparing two runs."""
        return value if self.worse == "larger" else abs(value - self.target)


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
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}
