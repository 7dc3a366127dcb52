"""Against NIST StRD, the NIST/SEMATECH e-Handbook, ISO 16269-6, Newcombe 1998 and JCGM 100."""

from math import nan

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import columns, correct_digits, load, table

from legtest.metrology.statistics import (
    clopper_pearson,
    lag1,
    mean,
    sd,
    sd_interval,
    sd_uncertainty,
    success_run,
    tolerance_factor,
)

UNIVARIATE = load("nist-strd/univariate.yaml")
INTERVALS = load("statistics/intervals.yaml")


def series(entry):
    if "file" in entry:
        return columns(f"nist-strd/{entry['file']}")["y"]
    return np.array([float(entry["data"]["first"])] + [float(x) for x in entry["data"]["then_500_times"]] * 500)


@pytest.mark.parametrize("name", [name for name in UNIVARIATE["datasets"] if name != "PiDigits"])
def test_nist_strd_univariate(name):
    entry, tolerance = UNIVARIATE["datasets"][name], UNIVARIATE["tolerance"]
    y = series(entry)
    assert len(y) == entry["n"]
    assert correct_digits(mean(y), entry["mean"]) >= tolerance["mean"]
    assert correct_digits(sd(y), entry["sd"]) >= tolerance["sd"].get(name, tolerance["sd"]["default"])
    assert correct_digits(lag1(y), entry["lag1"]) >= tolerance["lag1"].get(name, tolerance["lag1"]["default"])


@pytest.mark.parametrize("row", table("statistics/tolerance-factors.csv")[::3], ids=lambda row: f"n {row['n']:g}")
def test_tolerance_factors_of_iso_16269_6(row):
    n = int(row["n"])
    for content in (90, 95, 99):
        for side in (1, 2):
            k = tolerance_factor(n, content / 100, 0.95, two_sided=side == 2)
            wanted = row[f"k{side}_p{content}"]
            assert k == pytest.approx(wanted, abs=5e-4 if n > 3 else 1e-4 * wanted)


def test_tolerance_factors_of_the_wafer_example():
    x = INTERVALS["tolerance_interval_worked"]  # e-Handbook 7.2.6.3; exact, not Howe's and Natrella's approximations
    assert tolerance_factor(43, 0.9, 0.99) == pytest.approx(x["two_sided_exact_k"], abs=1e-6)
    assert tolerance_factor(43, 0.9, 0.99, two_sided=False) == pytest.approx(x["one_sided_exact_k"], abs=1e-6)


@pytest.mark.parametrize("row", INTERVALS["proportion_intervals"], ids=lambda row: f"{row['successes']} of {row['n']}")
def test_clopper_pearson(row):
    got = clopper_pearson(row["successes"], row["n"], row["confidence"])
    assert got == pytest.approx(tuple(row["clopper_pearson"]), abs=1e-6)


@pytest.mark.parametrize("row", INTERVALS["success_run"]["cases"], ids=str)
def test_success_run(row):
    assert success_run(row["reliability"], row["confidence"], row["failures"]) == row["n"]


@given(st.floats(0.5, 0.995), st.floats(0.5, 0.99), st.integers(0, 3))
def test_success_run_is_the_smallest(reliability, confidence, failures):
    n = success_run(reliability, confidence, failures)
    seen = scipy.stats.binom.cdf(failures, [n - 1, n], 1 - reliability)
    assert seen[1] <= (1 - confidence) * (1 + 1e-9)
    assert n == failures + 1 or seen[0] >= (1 - confidence) * (1 - 1e-9)


def test_interval_of_a_standard_deviation():
    x = INTERVALS["sd_interval"]  # e-Handbook 1.3.5.8, N and sd recalled
    assert sd_interval(x["sd"], x["n"], 0.95) == pytest.approx(tuple(x["interval"]), rel=1e-7)
    for n, factors in INTERVALS["sd_factors_95"]["by_n"].items():
        assert sd_interval(1.0, n, 0.95) == pytest.approx(tuple(factors), abs=6e-6)


def test_uncertainty_of_a_standard_deviation():
    # JCGM 100 table E.1, percent, recalled
    table_e1 = {2: 76, 3: 52, 4: 42, 5: 36, 10: 24, 20: 16, 30: 13, 50: 10}
    assert {n: round(100 * sd_uncertainty(1.0, n)) for n in table_e1} == table_e1


@given(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=50), st.floats(-1e3, 1e3), st.floats(0.1, 10))
def test_mean_and_sd_follow_shift_and_scale(values, shift, scale):
    moved = [scale * x + shift for x in values]
    size = max(1.0, *map(abs, values)) * 10
    assert mean(moved) == pytest.approx(scale * mean(values) + shift, abs=1e-12 * size)
    assert sd(moved) == pytest.approx(scale * sd(values), abs=1e-9 * size)


def test_nonsense_is_refused():
    for bad in ([], [1.0, nan], [[1.0, 2.0]]):
        with pytest.raises(ValueError, match="series"):
            mean(bad)
    with pytest.raises(ValueError, match="at least 2"):
        sd([1.0])
    with pytest.raises(ValueError, match="at least 2"):
        sd_uncertainty(1.0, 1)
    with pytest.raises(ValueError, match="at least 2"):
        sd_interval(1.0, 1, 0.9)
    with pytest.raises(ValueError, match="n >= 2"):
        tolerance_factor(1, 0.9, 0.9)
    with pytest.raises(ValueError, match="5 successes of 4"):
        clopper_pearson(5, 4, 0.9)
    with pytest.raises(ValueError, match="between 0 and 1"):
        success_run(1.0, 0.95)
