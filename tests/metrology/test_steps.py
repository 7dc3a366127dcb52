"""Step figures against exact values of second-order systems (tests/references) and ISO 9283's words for a pose."""

from __future__ import annotations

import numpy as np
import pytest
from metrology_references import load, table

from legtest.metrology.steps import spline, stabilisation, step_response

STEPS = table("control/second-order-step.csv")


def second_order(t: np.ndarray, wn: float, zeta: float) -> np.ndarray:
    """Unit step response in closed form, for every damping."""
    if zeta == 1:
        return 1 - np.exp(-wn * t) * (1 + wn * t)
    root = np.sqrt(complex(zeta**2 - 1))
    fast, slow = -wn * (zeta + root), -wn * (zeta - root)
    return (1 + (slow * np.exp(fast * t) - fast * np.exp(slow * t)) / (fast - slow)).real


@pytest.mark.parametrize("row", STEPS, ids=lambda row: f"damping {row['zeta']:g}")
def test_step_of_a_second_order_system(row: dict[str, float]) -> None:
    """Sampled 25 times in a rise of the stiffest row, the figures are right to a fraction of a sample period."""
    period = 0.004
    t = np.arange(0, 12, period)
    found = step_response(t, second_order(t, row["wn"], row["zeta"]))
    assert found.rise_s == pytest.approx(row["t_rise_10_90"], abs=0.01 * period)
    assert found.overshoot == pytest.approx(row["overshoot_percent"] / 100, abs=1e-5)
    assert found.settling_s == pytest.approx(row["t_settle_2pct"], abs=0.05 * period)
    wide = step_response(t, second_order(t, row["wn"], row["zeta"]), band=0.05)
    assert wide.settling_s == pytest.approx(row["t_settle_5pct"], abs=0.05 * period)
    if row["overshoot_percent"] > 0.1:
        assert found.peak_s == pytest.approx(row["t_peak"], abs=0.1 * period)


@pytest.mark.parametrize("row", STEPS[2:8], ids=lambda row: f"damping {row['zeta']:g}")
def test_a_rise_of_three_samples_is_still_known_to_an_eighth_of_one(row: dict[str, float]) -> None:
    period = row["t_rise_10_90"] / 3
    t = np.arange(0, 12, period)
    found = step_response(t, second_order(t, row["wn"], row["zeta"]))
    assert found.rise_s == pytest.approx(row["t_rise_10_90"], abs=0.125 * period)


def test_a_response_that_never_arrives() -> None:
    t = np.linspace(0, 1, 50)
    found = step_response(t, 0.5 * t)
    assert np.isnan(found.rise_s)
    assert np.isnan(found.settling_s)
    assert found.overshoot == 0.0


def test_stabilisation_and_overshoot_of_iso_9283() -> None:
    x = load("positioning/positioning.yaml")["ISO_9283"]["stabilisation"]
    t = np.arange(0, 3, 0.0005)
    points = np.column_stack([100 * second_order(t, 10, 0.5), np.zeros_like(t)])
    time_s, overshoot = stabilisation(t, points, [100.0, 0.0], band=x["limit_band_mm"])
    assert time_s == pytest.approx(x["stabilisation_time_s"], abs=2e-5)
    assert overshoot == pytest.approx(x["overshoot_mm"], abs=1e-4)
    slow = 100 * second_order(t, 10, 2.0)
    assert stabilisation(t, slow, [100.0], band=1.0) == (0.0, 0.0)
    with pytest.raises(ValueError, match="does not settle within 1"):
        stabilisation(t[:300], points[:300], [100.0, 0.0], band=1.0)


def test_a_spline_goes_through_its_samples_and_is_exact_on_lines() -> None:
    t = np.array([0.0, 1.0, 1.5, 4.0, 5.0])
    y = np.array([0.0, 2.0, -1.0, 3.0, 3.0])
    when, value = spline(t, y, 10)
    assert np.interp(t, when, value) == pytest.approx(y, abs=1e-12)
    assert spline(t, 3 * t - 1, 7)[1] == pytest.approx(3 * spline(t, t, 7)[0] - 1, abs=1e-12)
    with pytest.raises(ValueError, match="at least 4 finite samples"):
        spline([0, 1, 2, 3], [0, np.nan, 1, 2], 2)
