"""A measurement against its limits, by a rule fixed before the run.

Words of JCGM 106: the tolerance limits are the leg's, the acceptance limits are where the measured value is accepted,
the guard band lies between them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import ceil, hypot, isfinite, isinf, sqrt

from legtest.description.model import DecisionRule, Limit
from legtest.metrology.combine import coverage_factor, effective_dof, expanded
from legtest.metrology.distributions import t_cdf
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.units import display_unit, show

_MOST_REPEATS = 1000  # beyond this, repeating is not a way out


def decide(m: Measurement, limit: Limit | None, rule: DecisionRule) -> Verdict:
    """The verdict on a measurement.

    A measurement that went wrong, is not finite or states no uncertainty is invalid; without limits nothing is judged.
    Raises ValueError when the limit is of another kind than the measurement.
    """
    if limit is not None and limit.low is None and limit.high is None:
        limit = None
    if limit is not None and limit.kind != m.kind:
        raise ValueError(f"{limit.where}: the limit of {m.quantity} is of kind {limit.kind}, the value is of {m.kind}")
    reason = _invalid(m)
    if reason:
        return Verdict(m, limit, rule_text(limit, rule), Word.INVALID, None, f"measure again: {reason}")
    u_expanded = expanded(m, rule.coverage)
    text = rule_text(limit, rule, u_expanded)
    if limit is None:
        return Verdict(m, None, text, Word.NO_LIMIT, None)
    word = classify(m.value, u_expanded, limit, rule)
    remarks = [_way_out(m, limit, rule)] if word is Word.INCONCLUSIVE else []
    remarks += _too_coarse(u_expanded, limit)
    return Verdict(m, limit, text, word, p_conform(m, limit), "; ".join(remarks))


def classify(value: float, expanded_u: float, limit: Limit, rule: DecisionRule) -> Word:
    """PASS, FAIL or (guarded rule only) INCONCLUSIVE for a finite value with its expanded uncertainty, all SI.

    guarded: pass when [value - U, value + U] lies within the limits, fail when wholly outside (JCGM 106 8.3.2 and
    8.3.3, guard band w = U on both sides). simple: the value alone decides (JCGM 106 8.2). Limits belong to the pass.
    """
    low, high = _ends(limit)
    if rule.name == "simple":
        return Word.PASS if low <= value <= high else Word.FAIL
    if low <= value - expanded_u and value + expanded_u <= high:
        return Word.PASS
    return Word.FAIL if value + expanded_u < low or value - expanded_u > high else Word.INCONCLUSIVE


def p_conform(m: Measurement, limit: Limit) -> float:
    """Probability that the true value lies within the limits (JCGM 106 7.2), by t with the measurement's dof."""
    low, high = _ends(limit)
    below, above = t_cdf((low - m.value) / m.u, m.dof), t_cdf((m.value - high) / m.u, m.dof)
    return min(1.0, max(0.0, 1 - below - above))


def rule_text(limit: Limit | None, rule: DecisionRule, expanded_u: float | None = None) -> str:
    """The rule in words; with the expanded uncertainty (SI), also the acceptance limits that follow from it."""
    if limit is None:
        return "no tolerance limit set: the value is reported, not judged"
    noun = "limit" if limit.low is None or limit.high is None else "limits"
    tolerance = f"tolerance {noun} {_range(limit)}" + (f" ({limit.where})" if limit.where else "")
    if rule.name == "simple":
        return f"simple acceptance (shared risk): {tolerance}, guard band 0, so accepted inside the tolerance"
    coverage = f"coverage {100 * rule.coverage:.4g} %"
    text = f"guarded acceptance and guarded rejection, guard band w = U ({coverage}): {tolerance}"
    if expanded_u is None or not isfinite(expanded_u):
        return text
    inner = _moved(limit, expanded_u)
    accepted = "none, U is wider than the tolerance" if inner is None else _range(inner)
    beyond = _beyond(limit, expanded_u)
    return f"{text}, w {_show(expanded_u, limit)}, acceptance {noun} {accepted}, fail beyond {beyond}"


def _invalid(m: Measurement) -> str:
    if m.invalid:
        return m.invalid
    if not isfinite(m.value):
        return f"the value is {m.value}"
    if not isfinite(m.u) or m.u <= 0:
        return f"the standard uncertainty is {m.u}"
    return ""


def _ends(limit: Limit) -> tuple[float, float]:
    low = float("-inf") if limit.low is None else limit.low
    return low, float("inf") if limit.high is None else limit.high


def _moved(limit: Limit, inward: float) -> Limit | None:
    """The limits moved inward; None when nothing is left."""
    low = None if limit.low is None else limit.low + inward
    high = None if limit.high is None else limit.high - inward
    return None if low is not None and high is not None and low > high else limit._replace(low=low, high=high)


def _show(value: float, limit: Limit) -> str:
    return show(value, limit.kind)


def _range(limit: Limit) -> str:
    if limit.low is None or limit.high is None:
        only, words = (limit.high, "at most") if limit.low is None else (limit.low, "at least")
        return f"{words} {_show(only, limit)}" if only is not None else "none"
    low, unit = _show(limit.low, limit), display_unit(limit.kind)
    return f"{low.removesuffix(f' {unit}')} to {_show(limit.high, limit)}"


def _beyond(limit: Limit, u: float) -> str:
    below = [] if limit.low is None else [_show(limit.low - u, limit)]
    above = [] if limit.high is None else [_show(limit.high + u, limit)]
    return " or ".join(below + above)


def _too_coarse(u_expanded: float, limit: Limit) -> list[str]:
    """Said whatever the verdict: a method this coarse can hardly accept a good leg (a 3:1 rule of the trade)."""
    if limit.low is None or limit.high is None or u_expanded <= (limit.high - limit.low) / 6:
        return []
    u, half = _show(u_expanded, limit), _show((limit.high - limit.low) / 2, limit)
    return [f"U {u} is more than a third of the tolerance half-width {half}: the method is coarse for these limits"]


def _way_out(m: Measurement, limit: Limit, rule: DecisionRule) -> str:
    """What would settle an open verdict, supposing the value stays where it is."""
    low, high = _ends(limit)
    room = min(abs(m.value - low), abs(high - m.value))
    if room == 0:
        return "the value lies on the limit: no smaller uncertainty would settle it"
    if not m.budget:
        return f"an expanded uncertainty below {_show(room, limit)}"
    largest = max(m.budget, key=lambda line: line.u)
    share = f"{largest.source} gives {_percent((largest.u / m.u) ** 2)} of the variance"
    if largest.evaluation == "A":
        return f"{share}: {_repeats(m, largest, room, rule)}"
    others = [line for line in m.budget if line is not largest]
    rest = hypot(*(line.u for line in others))
    enough = rest == 0 or coverage_factor(effective_dof(others), rule.coverage) * rest <= room
    way = "a better one would settle it" if enough else "a better one alone is not enough"
    return f"{share} and repeats do not lower it: {way}, U must come below {_show(room, limit)}"


def _repeats(m: Measurement, line: BudgetLine, room: float, rule: DecisionRule) -> str:
    need = f"to bring U below {show(room, m.kind)}"
    if isinf(line.dof):
        return f"more repeats {need}"
    n = round(line.dof) + 1

    def settles(repeats: int) -> bool:
        better = replace(line, u=line.u * sqrt(n / repeats), dof=line.dof + repeats - n)
        lines = [better if other is line else other for other in m.budget]
        return coverage_factor(effective_dof(lines), rule.coverage) * hypot(*(x.u for x in lines)) <= room

    enough = _first(settles, n + 1, _MOST_REPEATS)
    if enough is None:
        return f"not even {_MOST_REPEATS} repeats would be enough {need}; a better method is needed"
    return f"about {enough} repeats instead of {n} would be enough {need}"


def _first(holds: Callable[[int], bool], low: int, high: int) -> int | None:
    """The smallest whole number in [low, high] for which a condition that stays true once true holds."""
    if low > high or not holds(high):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


def _percent(share: float) -> str:
    return f"{ceil(100 * share - 0.5)} %"
