"""Equivalence of two values: the two one-sided tests against published software, what cancels, what is refused."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf, sqrt
from statistics import NormalDist, fmean, variance

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from legtest.description.model import Limit
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.equivalence import COVERAGE, Outcome, budget_of, compare, margin_of, tost_p
from legtest.metrology.measurement import BudgetLine, Measurement

A = [0.412, 0.398, 0.405, 0.421, 0.409, 0.417]
B = [0.431, 0.425, 0.419, 0.440, 0.428]
# statsmodels 0.15.0, weightstats.ttost_ind(A, B, -margin, margin, usevar=...): p value.
TTOST_IND = {
    ("pooled", 0.05): 5.5547938343847585e-05,
    ("pooled", 0.03): 0.01980633585990113,
    ("pooled", 0.02): 0.3653138474371037,
    ("unequal", 0.05): 5.759952118338425e-05,
    ("unequal", 0.03): 0.019545295532375655,
    ("unequal", 0.02): 0.3645466826869791,
}


def value(x: float, *lines: BudgetLine, quantity: str = "backlash", **more: object) -> Measurement:
    return measurement(quantity, "knee", x, lines, reference="internal", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("usevar", "margin"), TTOST_IND)
def test_p_is_that_of_statsmodels(usevar: str, margin: float) -> None:
    n, m = len(A), len(B)
    if usevar == "pooled":
        dof = n + m - 2.0
        u = sqrt(((n - 1) * variance(A) + (m - 1) * variance(B)) / dof * (1 / n + 1 / m))
        p = tost_p(fmean(A) - fmean(B), u, dof, margin)
    else:  # Welch: what a comparison of two budgets does by itself
        p = compare(value(fmean(A), repeats("a", A)), value(fmean(B), repeats("b", B)), margin, shared=True).p
    assert p == pytest.approx(TTOST_IND[usevar, margin], rel=1e-9)


@given(st.floats(-0.1, 0.1), st.floats(0.005, 0.1))
def test_p_is_that_of_two_shifted_t_tests_of_scipy(shift: float, margin: float) -> None:
    moved = [b + shift for b in B]
    lower = stats.ttest_ind([a + margin for a in A], moved, equal_var=False, alternative="greater").pvalue
    upper = stats.ttest_ind([a - margin for a in A], moved, equal_var=False, alternative="less").pvalue
    found = compare(value(fmean(A), repeats("a", A)), value(fmean(moved), repeats("b", moved)), margin, shared=True)
    assert found.p == pytest.approx(max(lower, upper), rel=1e-6, abs=1e-12)
    # The interval and the tests are the same statement.
    assert (found.outcome is Outcome.EQUIVALENT) == (found.p <= (1 - COVERAGE) / 2 + 1e-12)


def test_three_outcomes() -> None:
    old, u = value(0.0, BudgetLine("x", 1e-9)), BudgetLine("repeats", 0.1)
    half = 1.6448536269514722 * 0.1  # normal quantile 0.95
    for moved, outcome in (
        (0.99 * (1 - half), Outcome.EQUIVALENT),
        (1.01 * (1 - half), Outcome.UNDECIDED),
        (0.99 * (1 + half), Outcome.UNDECIDED),
        (1.01 * (1 + half), Outcome.DIFFERENT),
    ):
        for sign in (1, -1):
            found = compare(value(sign * moved, u), old, 1.0, shared=True)
            assert (found.outcome, found.difference) == (outcome, sign * moved)
            assert found.expanded == pytest.approx(half, rel=1e-6)


def test_an_offset_of_the_bench_cancels_and_a_factor_all_but_its_share() -> None:
    offset, noise = BudgetLine("zero", 0.3, systematic=True), BudgetLine("repeats", 0.01, 9, "A")
    new, old = value(5.0, noise, offset), value(4.0, noise, offset)
    assert compare(new, old, 2.0, shared=True).u == pytest.approx(hypot(0.01, 0.01))
    assert compare(new, old, 2.0, shared=False).u == pytest.approx(hypot(0.01, 0.01, 0.3, 0.3))

    def scaled(x: float) -> Measurement:
        return value(x, noise, BudgetLine("scale", 0.05 * abs(x), systematic=True))

    # JCGM 100 5.2.2: 5 % of the difference, whatever its sign.
    assert compare(scaled(5.0), scaled(4.0), 2.0, shared=True).u == pytest.approx(hypot(0.01, 0.01, 0.05 * 1.0))
    assert compare(scaled(5.0), scaled(-4.0), 99.0, shared=True).u == pytest.approx(hypot(0.01, 0.01, 0.05 * 9.0))


def test_a_systematic_source_of_one_run_alone_does_not_cancel() -> None:
    noise = BudgetLine("repeats", 0.01)
    new, old = value(5.0, noise, BudgetLine("new mass", 0.2, systematic=True)), value(5.0, noise)
    assert compare(new, old, 1.0, shared=True).u == pytest.approx(hypot(0.01, 0.01, 0.2))
    twice = value(5.0, noise, *[BudgetLine("mass", 0.1, systematic=True)] * 2)
    assert {line.source for line in budget_of(twice, twice, shared=True)} == {"repeats"}


def test_the_repeats_it_names_settle_it_and_one_fewer_would_not() -> None:
    old, noise = value(0.0, BudgetLine("repeats", 0.1, 9)), BudgetLine("repeats", 0.6, 4, "A")
    found = compare(value(0.3, noise), old, 1.0, shared=True)
    assert found.outcome is Outcome.UNDECIDED
    n = found.repeats_needed
    assert n is not None

    def repeated(k: int) -> Outcome:
        mean = replace(noise, u=noise.u / sqrt(k), dof=k * noise.dof)
        return compare(value(0.3, mean), old, 1.0, shared=True).outcome

    assert (repeated(n - 1), repeated(n)) == (Outcome.UNDECIDED, Outcome.EQUIVALENT)


def test_no_repeats_help_against_a_coarse_baseline_or_on_the_margin_itself() -> None:
    coarse = value(0.0, BudgetLine("repeats", 0.6, 4))
    assert compare(value(0.3, BudgetLine("repeats", 0.6, 4)), coarse, 1.0, shared=True).repeats_needed is None
    fine = value(0.0, BudgetLine("repeats", 0.01))
    assert compare(value(1.0, BudgetLine("repeats", 0.1)), fine, 1.0, shared=True).repeats_needed is None


@pytest.mark.parametrize("margin", [0.0, -1.0, float("nan")])
def test_a_margin_is_more_than_zero(margin: float) -> None:
    with pytest.raises(ValueError, match="margin must be more than zero"):
        compare(value(1, BudgetLine("x", 1)), value(1, BudgetLine("x", 1)), margin, shared=True)


@pytest.mark.parametrize(
    ("limit", "quantity", "margin", "said"),
    [
        (Limit(None, 0.6, "angle", "l:3", 0.1), "backlash", 0.1, "margin of l:3"),
        (Limit(-1.0, 2.0, "angle", "l:3"), "home_shift", 0.5, "a third of the tolerance half-width"),
        (Limit(None, 0.6, "angle", "l:3"), "backlash", 0.1, "a third of the tolerance half-width"),
        (Limit(0.2, 0.6, "angle", "l:3"), "backlash", 0.4 / 6, "a third of the tolerance half-width"),
        (Limit(None, 0.6, "angle", "l:3"), "sag", None, "one limit alone makes no tolerance"),
        (Limit(0.6, None, "angle", "l:3"), "backlash", None, "one limit alone makes no tolerance"),
        (Limit(None, None, "angle", "l:3", 0.2), "sag", 0.2, "margin of l:3"),
        (None, "backlash", None, "neither margin nor limits"),
        (Limit(0.6, 0.2, "angle", "l:3"), "backlash", None, "is -0.0666667"),
        (Limit(None, float("nan"), "angle", "l:3"), "backlash", None, "is nan"),
        (Limit(None, 0.6, "angle", "l:3", -0.1), "backlash", None, "margin of l:3 is -0.1"),
    ],
)
def test_where_a_margin_comes_from(limit: Limit | None, quantity: str, margin: float | None, said: str) -> None:
    found, words = margin_of(limit, quantity)
    assert found == (None if margin is None else pytest.approx(margin))
    assert said in words


def rates(shift: float, *, n: int, margin: float, sigma: float = 1.0, runs: int, seed: int) -> dict[Outcome, float]:
    """How often each outcome comes for two runs of n repeats each, `shift` apart."""
    rng = np.random.default_rng(seed)
    counts = dict.fromkeys(Outcome, 0)
    for _ in range(runs):
        new, old = (rng.normal(mean, sigma, n).tolist() for mean in (shift, 0.0))
        a, b = value(fmean(new), repeats("new", new)), value(fmean(old), repeats("old", old))
        counts[compare(a, b, margin, shared=True).outcome] += 1
    return {outcome: count / runs for outcome, count in counts.items()}


def theory(shift: float, *, n: int, margin: float) -> tuple[float, float]:
    """Probability of equivalent and of different for a known standard deviation of 1."""
    z, u = NormalDist().inv_cdf((1 + COVERAGE) / 2), sqrt(2 / n)
    d = NormalDist(shift, u)
    inner, outer = margin - z * u, margin + z * u
    return max(0.0, d.cdf(inner) - d.cdf(-inner)), d.cdf(-outer) + 1 - d.cdf(outer)


@pytest.mark.parametrize(("shift", "n"), [(0.0, 40), (1.0, 40), (1.5, 40), (0.0, 10)])
def test_outcomes_come_as_often_as_theory_says(shift: float, n: int) -> None:
    runs = 700
    found = rates(shift, n=n, margin=1.0, runs=runs, seed=1)
    equivalent, different = theory(shift, n=n, margin=1.0)
    # Three deviations of a share, and what an estimated spread (78 degrees of freedom and fewer) makes of it.
    assert found[Outcome.EQUIVALENT] == pytest.approx(equivalent, abs=3 * sqrt(0.25 / runs) + 0.02)
    assert found[Outcome.DIFFERENT] == pytest.approx(different, abs=3 * sqrt(0.25 / runs) + 0.02)


@pytest.mark.parametrize("n", [3, 5, 10])
def test_either_claim_is_wrong_in_at_most_one_of_twenty_at_the_margin(n: int) -> None:
    runs = 900
    found = rates(1.0, n=n, margin=1.0, runs=runs, seed=2)
    worst = 0.05 + 3 * sqrt(0.05 * 0.95 / runs)
    assert found[Outcome.EQUIVALENT] <= worst
    assert found[Outcome.DIFFERENT] <= worst
    assert found[Outcome.UNDECIDED] >= 1 - 2 * worst


def test_infinite_degrees_of_freedom_are_the_normal_case() -> None:
    assert tost_p(0.0, 1.0, inf, 1.6448536269514722) == pytest.approx(0.05, rel=1e-9)
    assert tost_p(0.5, 0.0, inf, 1.0) == 0.0
    assert tost_p(1.5, 0.0, inf, 1.0) == 1.0
