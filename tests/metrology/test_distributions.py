"""Against JCGM 100 table G.2 and scipy."""

from math import inf

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import table

from legtest.metrology.distributions import beta_quantile, chi2_quantile, chi2_sf, normal_quantile, t_cdf, t_quantile


@pytest.mark.parametrize("row", table("uncertainty/t-factors.csv"), ids=lambda row: f"dof {row['dof']:g}")
def test_t_factors_are_those_of_table_g2(row):
    for column in ("p68.27", "p90.00", "p95.00", "p95.45", "p99.00"):
        coverage = float(column[1:]) / 100
        assert t_quantile((1 + coverage) / 2, row["dof"]) == pytest.approx(row[column], abs=1e-3)
    # the table's last column is the probability of 3 sigma, printed rounded to 99.73 %
    assert t_quantile((1 + 0.9973002039) / 2, row["dof"]) == pytest.approx(row["p99.73"], abs=1e-3, rel=1.1e-4)


@given(st.floats(1e-6, 1 - 1e-6), st.floats(0.5, 1e6))
def test_t_agrees_with_scipy(p, dof):
    assert t_quantile(p, dof) == pytest.approx(scipy.stats.t.ppf(p, dof), rel=1e-7, abs=1e-7)


@given(st.floats(-50, 50), st.floats(0.5, 1e6))
def test_t_cdf_agrees_with_scipy(t, dof):
    assert t_cdf(t, dof) == pytest.approx(scipy.stats.t.cdf(t, dof), abs=1e-9)


@given(st.floats(1e-6, 1 - 1e-6), st.integers(1, 2000))
def test_chi_square_agrees_with_scipy(p, dof):
    x = chi2_quantile(p, dof)
    assert x == pytest.approx(scipy.stats.chi2.ppf(p, dof), rel=1e-7)
    assert chi2_sf(x, dof) == pytest.approx(1 - p, abs=1e-9)


@given(st.floats(1e-4, 1 - 1e-4), st.floats(0.5, 500), st.floats(0.5, 500))
def test_beta_agrees_with_scipy(p, a, b):
    assert beta_quantile(p, a, b) == pytest.approx(scipy.stats.beta.ppf(p, a, b), abs=1e-9)


def test_infinite_degrees_of_freedom_are_the_normal_distribution():
    assert t_quantile(0.975, inf) == normal_quantile(0.975) == pytest.approx(1.959964, abs=1e-6)
    assert t_cdf(-inf, 3) == 0
    assert t_cdf(inf, 3) == 1


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, float("nan")])
def test_a_probability_outside_0_to_1_is_refused(p):
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(p, 5)


@pytest.mark.parametrize("dof", [0.0, -1.0, float("nan")])
def test_degrees_of_freedom_must_be_positive(dof):
    with pytest.raises(ValueError, match="must be positive"):
        t_quantile(0.9, dof)
