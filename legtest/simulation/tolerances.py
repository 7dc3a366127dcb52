"""Part tolerances: every part of a simulated leg differs a little from its drawing, repeatably for one seed.

Each value has its own generator, named after the part, so that asking for one more value moves no other.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from typing import Any

# What healthy parts may differ by. Drawn uniformly inside the tolerance unless a comment says otherwise.
COULOMB_FRICTION = 0.10
VISCOUS_FRICTION = 0.20
TORQUE_CONSTANT = 0.02
CURRENT_SENSE = 0.01
LINK_LENGTH_m = 0.2e-3
MASS = 0.03
END_STOP_rad = math.radians(0.1)
BACKLASH_rad = (math.radians(0.05), math.radians(0.20))
STOP_SCATTER_rad = (math.radians(0.05), math.radians(0.10))  # standard deviation of one seating
READING_AGE_s = (0.05e-3, 0.25e-3)  # filter of an encoder's interpolation
FRICTION_RIPPLE = (0.01, 0.04)  # share of Coulomb friction that comes and goes over the angle


class Parts:
    """The parts of one leg, drawn from `seed`.

    The same seed and part name always give the same value, whatever else was drawn before.
    """

    def __init__(self, seed: int) -> None:
        self._seed = seed

    def generator(self, part: str) -> random.Random:
        """A generator of its own for one part."""
        return random.Random(f"{self._seed}/{part}")

    def uniform(self, part: str, low: float, high: float) -> float:
        """A value between low and high."""
        return self.generator(part).uniform(low, high)

    def near(self, part: str, nominal: float, share: float) -> float:
        """A value within nominal * (1 -+ share)."""
        return nominal * self.uniform(part, 1.0 - share, 1.0 + share)


def value(mapping: Mapping[str, Any], key: str, default: float) -> float:
    """A number of a `simulation:` mapping (already SI), or the default where the file does not say."""
    return float(mapping.get(key, default))
