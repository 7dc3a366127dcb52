"""Whether a quantity moved between two runs: two one-sided tests against a margin that engineering has set.

"No significant difference" would reward a poor measurement; equivalence has to be shown. The interval of the difference
at `COVERAGE` lies inside the margin (equivalent), outside of it (different), or across it (undecided), so that each of
the two claims is wrong in at most 5 % of cases, at the margin itself (Schuirmann 1987; Berger and Hsu 1996, recalled).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, inf, isinf, sqrt

from legtest.description.model import Limit
from legtest.metrology.combine import coverage_factor, effective_dof
from legtest.metrology.distributions import t_cdf
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.quantities import QUANTITIES

COVERAGE = 0.90  # of the interval: 5 % on each side, one for each of the two tests
MOST_REPEATS = 1000  # beyond this, repeating is not a way out
SHARE_OF_TOLERANCE = 1 / 3  # the margin where none is stated, of the half-width of the tolerance


class Outcome(StrEnum):
    """How a comparison ends; refused: the two values cannot be compared, and the reason is said."""

    EQUIVALENT = "equivalent"
    DIFFERENT = "different"
    UNDECIDED = "undecided"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Equivalence:
    """A difference judged, all SI.

    difference: new minus old. u, dof: its comparative standard uncertainty. expanded: half the interval at COVERAGE.
    p: of the equivalence test, the larger of the two one-sided ones. repeats_needed: how many runs like the new one,
    it included, would settle an undecided one if their mean stayed where it is; None = none needed, or none would.
    """

    outcome: Outcome
    difference: float
    u: float
    dof: float
    expanded: float
    margin: float
    p: float
    repeats_needed: int | None = None


def compare(new: Measurement, old: Measurement, margin: float, *, shared: bool) -> Equivalence:
    """Judge the difference of two valid measurements of one quantity against a margin > 0 (SI).

    shared: both come from the same bench and the same parts, so that what is systematic cancels (see `budget_of`).
    Raises ValueError for a margin that is not positive.
    """
    if not margin > 0:
        raise ValueError(f"{new.quantity}: a margin must be more than zero, not {margin!r}")
    lines = budget_of(new, old, shared=shared)
    u, dof, half = _width(lines)
    difference = new.value - old.value
    outcome = _outcome(difference, half, margin)
    repeats = None
    if outcome is Outcome.UNDECIDED:
        repeats = _repeats(new, old, shared, abs(margin - abs(difference)))
    return Equivalence(outcome, difference, u, dof, half, margin, tost_p(difference, u, dof, margin), repeats)


def tost_p(difference: float, u: float, dof: float, margin: float) -> float:
    """p value of the two one-sided t tests of |true difference| >= margin; below 0.05 the two are equivalent."""
    if u == 0:
        return 0.0 if abs(difference) <= margin else 1.0
    return max(1 - t_cdf((difference + margin) / u, dof), t_cdf((difference - margin) / u, dof))


def budget_of(new: Measurement, old: Measurement, *, shared: bool) -> tuple[BudgetLine, ...]:
    """The uncertainty budget of new minus old.

    What is systematic is fully correlated on the same bench and parts, so of a source that stands in both budgets the
    difference of the two sensitivities is left (JCGM 100 5.2.2, note 1); an offset cancels whole, a factor all but its
    share of the change. Where the values have unlike signs a factor's shares add instead. Everything else adds by
    squares, and so does all of it when bench or parts were changed.
    """
    if not shared:
        return (*new.budget, *old.budget)
    random = [line for line in (*new.budget, *old.budget) if not line.systematic]
    return (*random, *_left(new, old))


def margin_of(limit: Limit | None, quantity: str) -> tuple[float | None, str]:
    """The margin of a quantity, SI, and where it comes from in words; None: nobody has set one.

    Where the criteria state none it is a third of the tolerance half-width. One limit makes a tolerance only for a
    quantity of the catalogue that begins at zero, such as a backlash: from zero to the limit.
    """
    if limit is None:
        return None, "no margin set: the leg file states neither margin nor limits"
    if limit.margin is not None:
        return _positive(limit.margin, f"margin of {limit.where}")
    low, high = limit.low, limit.high
    known = QUANTITIES.get(quantity)
    if low is None and known is not None and known.worse == "larger":
        low = 0.0
    if low is None or high is None:
        return None, f"no margin set: one limit alone makes no tolerance ({limit.where})"
    return _positive(SHARE_OF_TOLERANCE * (high - low) / 2, f"a third of the tolerance half-width ({limit.where})")


def _positive(margin: float, source: str) -> tuple[float | None, str]:
    return (margin, source) if 0 < margin < inf else (None, f"no margin set: {source} is {margin:g}")


def _outcome(difference: float, half: float, margin: float) -> Outcome:
    if abs(difference) + half <= margin:
        return Outcome.EQUIVALENT
    return Outcome.DIFFERENT if abs(difference) - half > margin else Outcome.UNDECIDED


def _width(lines: Sequence[BudgetLine]) -> tuple[float, float, float]:
    u = hypot(*(line.u for line in lines))
    dof = effective_dof(lines) if u > 0 else inf
    return u, dof, coverage_factor(dof, COVERAGE) * u


def _left(new: Measurement, old: Measurement) -> Iterator[BudgetLine]:
    """What is left of the systematic lines, one for each source."""
    ours, theirs = _systematic(new), _systematic(old)
    unlike = new.value * old.value < 0
    for source in dict.fromkeys([*ours, *theirs]):
        a, b = ours.get(source, 0.0), theirs.get(source, 0.0)
        offset = abs(a - b) <= 1e-9 * max(a, b)
        u = a + b if unlike and not offset else abs(a - b)
        if u > 0:
            yield BudgetLine(source, u, systematic=True)


def _systematic(m: Measurement) -> dict[str, float]:
    found: dict[str, float] = {}
    for line in m.budget:
        if line.systematic:
            found[line.source] = hypot(found.get(line.source, 0.0), line.u)
    return found


def _repeats(new: Measurement, old: Measurement, shared: bool, room: float) -> int | None:
    def half(n: int) -> float:
        mean = tuple(
            line if line.systematic else replace(line, u=line.u / sqrt(n), dof=inf if isinf(line.dof) else n * line.dof)
            for line in new.budget
        )
        return _width(budget_of(replace(new, budget=mean), old, shared=shared))[2]

    if half(MOST_REPEATS) > room:
        return None
    low, high = 1, MOST_REPEATS
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if half(middle) <= room else (middle + 1, high)
    return low
