"""Control charts: run lengths against tables, scores against scipy, and the rate of false alarms they promise."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from legtest.metrology.control_charts import (
    ALARMS_PER_RUN,
    FEWEST,
    JUMPS,
    LAMBDA,
    Limits,
    Name,
    chart,
    cusum_arl,
    ewma_arl,
    limits_of,
)

# Mean run lengths of EWMA charts, Lucas and Saccucci, Technometrics 32 (1990), as printed in Montgomery, Introduction
# to Statistical Quality Control, table 9.11. Recalled. (lambda, L): shift in standard deviations -> run length.
EWMA = {
    (0.40, 3.054): {0: 500, 0.25: 224, 0.5: 71.2, 1: 14.3, 2: 3.5, 3: 2.0},
    (0.25, 2.998): {0: 500, 0.25: 170, 0.5: 48.2, 1: 11.1, 2: 3.6, 3: 2.3},
    (0.20, 2.962): {0: 500, 0.25: 150, 0.5: 41.8, 1: 10.5, 2: 3.7, 3: 2.4},
    (0.10, 2.814): {0: 500, 0.25: 106, 0.5: 31.3, 1: 10.3, 2: 4.4, 3: 2.9},
    (0.05, 2.615): {0: 500, 0.25: 84.1, 0.5: 28.8, 1: 11.4, 2: 5.2, 3: 3.5},
}
# Of tabular CUSUM charts with k = 0.5, the same book, table 9.3, and the NIST/SEMATECH e-Handbook 6.3.2.3. Recalled.
CUSUM = {
    4: {0: 168, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 2.5: 2.62, 3: 2.19, 4: 1.71},
    5: {0: 465, 0.25: 139, 0.5: 38.0, 0.75: 17.0, 1: 10.4, 1.5: 5.75, 2: 4.01, 2.5: 3.11, 3: 2.57, 4: 2.01},
}
WIDE = Limits(1e9, 1e9)
NAMES: tuple[Name, ...] = ("EWMA", "CUSUM")


@pytest.mark.parametrize(("lam", "width", "shift", "length"), [(*k, s, n) for k in EWMA for s, n in EWMA[k].items()])
def test_ewma_run_lengths_are_those_of_the_table(lam: float, width: float, shift: float, length: float) -> None:
    # To the last printed digit, or 0.2 %: L stands there with four digits.
    assert ewma_arl(width, lam, shift) == pytest.approx(length, rel=2e-3, abs=0.51 if length > 100 else 0.051)


@pytest.mark.parametrize(("h", "shift", "length"), [(h, s, n) for h, row in CUSUM.items() for s, n in row.items()])
def test_cusum_run_lengths_are_those_of_the_table(h: float, shift: float, length: float) -> None:
    assert cusum_arl(h, 0.5, shift) == pytest.approx(length, rel=1e-3, abs=0.51 if length > 100 else 0.051)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("quantities", [1, 10, 40, 400])
def test_a_limit_gives_the_rate_it_was_made_for(name: Name, quantities: int) -> None:
    drift, single = limits_of(name, quantities, 0.05)
    length = cusum_arl(drift) if name == "CUSUM" else ewma_arl(drift * sqrt((2 - LAMBDA) / LAMBDA))
    assert quantities / length == pytest.approx(0.05 * (1 - JUMPS), rel=1e-6)
    assert quantities * 2 * stats.norm.sf(single) == pytest.approx(0.05 * JUMPS, rel=1e-6)


def test_a_limit_for_nothing_is_refused() -> None:
    for quantities, rate in ((0, 0.05), (3, 0.0), (3, 1.0)):
        with pytest.raises(ValueError, match="limits for"):
            limits_of("EWMA", quantities, rate)


@given(st.lists(st.floats(-100, 100), min_size=FEWEST + 1, max_size=30))
def test_scores_are_those_of_a_t_test_of_each_value_against_those_before(values: list[float]) -> None:
    found = chart(values, WIDE)
    for n in range(len(values)):
        before = np.array(values[:n])
        spread = before.std(ddof=1) if n > 1 else 0.0
        if n < FEWEST or spread < 1e-6:
            continue
        t = (values[n] - before.mean()) / (spread * sqrt(1 + 1 / n))
        expected = np.clip(stats.norm.ppf(stats.t.cdf(t, n - 1)), -8, 8)
        if abs(expected) < 6:
            assert found.scores[n] == pytest.approx(expected, abs=1e-4)


@given(st.lists(st.floats(-3, 3), min_size=FEWEST + 2, max_size=25), st.floats(0.01, 100), st.floats(-50, 50))
def test_a_chart_knows_no_units(values: list[float], scale: float, offset: float) -> None:
    if np.std(values[:FEWEST]) < 0.05:
        return
    a, b = chart(values, Limits(0.9, 3.5)), chart([scale * x + offset for x in values], Limits(0.9, 3.5))
    assert a.scores[FEWEST:] == pytest.approx(b.scores[FEWEST:], abs=1e-6)
    assert (a.out, b.low) == (b.out, pytest.approx(scale * a.low + offset, rel=1e-4, abs=1e-4 * scale))


@pytest.mark.parametrize("name", NAMES)
def test_the_newest_value_is_a_jump_exactly_outside_of_what_was_expected(name: Name) -> None:
    rng = np.random.default_rng(3)
    limit = limits_of(name, 40)
    before = rng.normal(5, 0.2, 25).tolist()
    c = chart([*before, 5.0], limit, name=name)
    assert c.low < c.centre < c.high
    for edge, way in ((c.low, -1), (c.high, 1)):
        assert not chart([*before, edge - way * 1e-6], limit, name=name).signals
        assert chart([*before, edge + way * 1e-6], limit, name=name).signals


def test_few_values_never_signal_and_say_nothing() -> None:
    c = chart([1.0, 1.1, 0.9, 50.0][: FEWEST - 1], Limits(0.5, 3))
    assert (c.signals, all(map(isnan, c.scores)), isnan(c.low)) == (False, True, True)
    assert not chart([], Limits(0.5, 3)).signals


def test_a_drift_is_not_taken_for_the_new_normal() -> None:
    rng = np.random.default_rng(4)
    limit = limits_of("EWMA", 40)
    c = chart([*rng.normal(0, 1, 30), *rng.normal(4, 1, 100)], limit)
    first = c.out.index(True)
    assert 30 <= first <= 36, first
    assert all(c.out[first:])
    assert abs(c.centre) < 0.6
    back = chart([*rng.normal(0, 1, 30), *rng.normal(4, 1, 20), *rng.normal(0, 1, 30)], limit)
    assert not back.signals


def test_a_simulation_that_never_scatters_signals_for_a_change_that_matters_only() -> None:
    limit = limits_of("EWMA", 40)
    assert not chart([2.0] * 20 + [2.0 + 1e-9], limit, floor=0.01).signals
    assert chart([2.0] * 20 + [2.5], limit, floor=0.01).signals
    assert not chart([2.0] * 21, limit).signals  # no spread at all, and none stated


def run_lengths(name: Name, arl: float, runs: int, seed: int) -> Iterator[int]:
    """Values until the first false alarm, from the first that could give one, with a level and spread nobody knew."""
    rng = np.random.default_rng(seed)
    limit, most = Limits(limits_of(name, 1, 1 / (arl * (1 - JUMPS))).drift, 1e9), round(12 * arl)
    for _ in range(runs):
        out = chart((100 + 7 * rng.standard_normal(FEWEST + most)).tolist(), limit, name=name).out
        yield out.index(True) - FEWEST + 1 if any(out) else most


@pytest.mark.parametrize("name", NAMES)
def test_the_mean_time_between_false_alarms_is_the_one_computed(name: Name) -> None:
    lengths = np.array(list(run_lengths(name, 30.0, 120, seed=5)), dtype=float)
    assert abs(lengths.mean() - 30) < 3 * lengths.std() / sqrt(len(lengths))


def nightly(name: Name, quantities: int, nights: int, rng: np.random.Generator, common: float = 0.0) -> int:
    """False alarms that begin in so many nights; `common`: correlation between the quantities of one night."""
    shared = rng.standard_normal((nights, 1))
    values = sqrt(common) * shared + sqrt(1 - common) * rng.standard_normal((nights, quantities))
    limit = limits_of(name, quantities)
    alarms = 0
    for column in values.T:
        out = chart(column.tolist(), limit, name=name).out
        alarms += sum(now and not before for before, now in zip((False, *out), out, strict=False))
    return alarms


@pytest.mark.parametrize("common", [0.0, 0.7])
def test_a_nightly_of_forty_quantities_keeps_its_rate_of_false_alarms(common: float) -> None:
    nights, times = 40, 5
    rng = np.random.default_rng(6)
    alarms = [nightly("EWMA", 40, nights, rng, common) for _ in range(times)]
    expected = ALARMS_PER_RUN * (nights - FEWEST) * times
    # Counts scatter as Poisson's or, when quantities move together, more.
    assert sum(alarms) <= expected + 3 * sqrt(expected) * (1 + 2 * common)


def test_a_shift_of_one_deviation_is_found_within_weeks() -> None:
    rng = np.random.default_rng(7)
    limit = limits_of("EWMA", 40)
    delays = []
    for _ in range(60):
        c = chart([*rng.normal(0, 1, 60), *rng.normal(1.5, 1, 60)], limit)
        delays.append(next((i for i in range(60, 120) if c.out[i]), 119) - 60)
    assert np.median(delays) <= 10
