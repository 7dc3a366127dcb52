"""Against NIST StRD linear regression, JCGM 100 H.3 and constructed data with known answers."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from metrology_references import columns, correct_digits, load

from legtest.metrology.fitting import (
    line_fit,
    line_fit_without_spikes,
    linear_fit,
    polynomial_fit,
    theil_sen,
)

NIST = load("nist-strd/regression.yaml")
CONTROL = load("control/identification.yaml")


def nist_fit(name):
    entry = NIST["datasets"][name]
    data = columns(f"nist-strd/{entry['file']}")
    if name == "Longley":
        return linear_fit(np.column_stack([np.ones(len(data["y"]))] + [data[f"x{i}"] for i in range(1, 7)]), data["y"])
    if "no intercept" in entry["model"]:
        return linear_fit(data["x"][:, None], data["y"])
    return polynomial_fit(data["x"], data["y"], len(entry["coefficients"]) - 1)


@pytest.mark.parametrize("name", NIST["datasets"])
def test_nist_strd_linear_regression(name):
    entry, digits = NIST["datasets"][name], NIST["tolerance"][name]
    fit = nist_fit(name)
    assert fit.dof == int(entry["residual_line"][0])
    for i, (coefficient, u) in enumerate(zip(entry["coefficients"], entry["standard_deviations"], strict=True)):
        assert correct_digits(fit.coefficients[i], coefficient) >= digits
        assert correct_digits(fit.u(i), u) >= digits
    assert correct_digits(fit.residual_sd, entry["residual_sd"]) >= digits


def test_jcgm_100_h_3_thermometer():
    x = load("uncertainty/gum-examples.yaml")["H_3"]
    fit = line_fit(np.array(x["data"]["t_degC"]) - x["data"]["reference_temperature"], x["data"]["correction_degC"])
    wanted = x["results"]
    assert fit.coefficients == pytest.approx([wanted["y1"], wanted["y2"]], rel=1e-4)
    assert (fit.u(0), fit.u(1)) == pytest.approx((wanted["u_y1"], wanted["u_y2"]), rel=1e-4)
    assert fit.covariance[0, 1] / fit.u(0) / fit.u(1) == pytest.approx(wanted["r"], abs=1e-5)
    assert fit.residual_sd == pytest.approx(wanted["s"], rel=1e-4)
    assert fit.at([1, 10]) == pytest.approx((wanted["b30"], wanted["u_b30"]), rel=1e-4)


def test_backlash_and_stiffness_from_the_loaded_branches():
    x = CONTROL["backlash_stiffness"]
    torque, angle = np.array(x["torque"]), np.array(x["angle_rad"])
    up, down = (line_fit(torque[side], angle[side]) for side in (torque > 0, torque < 0))
    assert np.rad2deg(up.coefficients[0] - down.coefficients[0]) == pytest.approx(x["backlash_deg"], abs=1e-7)
    assert 1 / up.coefficients[1] == pytest.approx(x["K_Nm_per_rad"], rel=1e-6)


def test_coulomb_and_viscous_friction_from_steady_speeds():
    x = CONTROL["stribeck"]
    v, torque = np.array(x["v_rad_s"]), np.array(x["T_Nm"])
    fast = np.abs(v) >= 1
    fit = linear_fit(np.column_stack([np.sign(v), v])[fast], torque[fast])
    assert fit.coefficients == pytest.approx([x["parameters"]["Tc"], x["parameters"]["b"]], abs=1e-12)


def test_stated_uncertainty_is_the_scatter_of_many_fits():
    rng = np.random.default_rng(3)
    x = np.linspace(0, 5, 12)
    fits = [line_fit(x, 2 + 3 * x + rng.normal(0, 0.1, 12)) for _ in range(2000)]
    for i in (0, 1):
        scatter = np.std([fit.coefficients[i] for fit in fits])
        assert np.sqrt(np.mean([fit.u(i) ** 2 for fit in fits])) == pytest.approx(scatter, rel=0.06)


@given(st.integers(3, 20), st.integers(0, 2**32 - 1))
def test_residuals_are_orthogonal_to_the_design(n, seed):
    rng = np.random.default_rng(seed)
    design, y = rng.normal(size=(n, 2)), rng.normal(size=n)
    assert design.T @ linear_fit(design, y).residuals == pytest.approx(np.zeros(2), abs=1e-10)


def test_theil_sen_agrees_with_scipy_and_shrugs_at_wild_values():
    rng = np.random.default_rng(4)
    x = np.arange(40.0)
    y = 1 + 0.5 * x + rng.normal(0, 0.1, 40)
    y[::5] += 100
    slope, intercept = theil_sen(x, y)
    assert (slope, intercept) == pytest.approx(scipy.stats.theilslopes(y, x)[:2])
    assert slope == pytest.approx(0.5, abs=0.05)


def test_a_perfect_fit_without_spare_points_has_no_uncertainty():
    fit = line_fit([0.0, 1.0], [1.0, 3.0])
    assert fit.coefficients == pytest.approx([1, 2])
    assert np.isnan(fit.u(0))


@pytest.mark.parametrize(
    ("design", "y", "words"),
    [
        ([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]], [1.0, 2.0, 3.0], "depend on each other"),
        ([[1.0, 0.0], [2.0, 0.0]], [1.0, 2.0], "zero throughout"),
        ([[1.0, 2.0]], [1.0], "n >= p"),
        ([[1.0], [np.nan]], [1.0, 2.0], "finite"),
    ],
)
def test_data_that_cannot_tell_are_refused(design, y, words):
    with pytest.raises(ValueError, match=words):
        linear_fit(design, y)


def test_a_slope_needs_two_x():
    with pytest.raises(ValueError, match="two different x"):
        theil_sen([1.0, 1.0], [2.0, 3.0])


@given(seed=st.integers(0, 2**32 - 1), wild=st.integers(0, 8), height=st.floats(1.0, 1e3))
def test_spikes_do_not_move_a_line(seed: int, wild: int, height: float) -> None:
    """By construction: up to 8 wild samples of 120, far outside the scatter, change the line by less than it."""
    rng = np.random.default_rng(seed)
    x = np.linspace(-1.0, 1.0, 120)
    y = 0.5 + 2.0 * x + rng.normal(0.0, 0.01, len(x))
    plain = line_fit(x, y)
    y[rng.choice(len(x), wild, replace=False)] += height
    fit = line_fit_without_spikes(x, y)
    assert np.abs(fit.coefficients - plain.coefficients).max() < 0.01
    assert fit.residual_sd < 0.02
