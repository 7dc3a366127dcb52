"""One measurable property of a leg, as the catalogue holds it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable property of a leg.

    kind: see legtest.units. what: one sentence for people.
    worse: "larger" = a larger value is worse; "smaller" = a smaller one; "away" = worse the further from `target`, on
    either side.
    """

    name: str
    title: str
    kind: str
    what: str
    worse: Literal["larger", "smaller", "away"] = "larger"
    target: float = 0.0

    def badness(self, value: float) -> float:
        """A number in the quantity's SI unit that grows as the leg gets worse; for comparing two runs."""
        if self.worse == "away":
            return abs(value - self.target)
        return value if self.worse == "larger" else -value
