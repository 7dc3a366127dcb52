"""Stribeck's curve: found exactly where it is exact, and as uncertain as it says where it is not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from metrology_references import load

from legtest.metrology.friction_curve import friction_curve


def test_the_reference_curve() -> None:
    """identification.yaml: constructed; after Armstrong-Helouvry, Dupont, Canudas de Wit, Automatica 30 (1994)."""
    reference = load("control/identification.yaml")["stribeck"]
    v, y = np.array(reference["v_rad_s"]), np.array(reference["T_Nm"])
    known, positive = reference["parameters"], v > 0
    extra_speeds = np.array([0.05, 0.07, 0.15])
    model = known["Tc"] + (known["Ts"] - known["Tc"]) * np.exp(-((extra_speeds / known["vs"]) ** 2))
    speeds = np.concatenate([v[positive], extra_speeds])
    found = friction_curve(speeds, np.concatenate([y[positive], model + known["b"] * extra_speeds]))
    assert found.coulomb == pytest.approx(known["Tc"], abs=1e-6)
    assert found.coulomb + found.extra == pytest.approx(known["Ts"], abs=1e-6)
    assert found.stribeck == pytest.approx(known["vs"], rel=1e-4)
    assert found.viscous == pytest.approx(known["b"], abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.1, 1.0), st.floats(0.02, 0.5), st.floats(0.03, 0.12), st.floats(0.0, 0.1))
def test_any_curve_within_the_speeds_is_found(coulomb: float, extra: float, stribeck: float, viscous: float) -> None:
    v = np.array([0.015, 0.03, 0.05, 0.08, 0.13, 0.25, 0.5, 1.0])
    found = friction_curve(v, coulomb + extra * np.exp(-((v / stribeck) ** 2)) + viscous * v)
    assert found.extra == pytest.approx(extra, rel=1e-3)
    assert found.coulomb == pytest.approx(coulomb, rel=1e-3)


def test_the_uncertainty_is_that_of_repeats() -> None:
    """120 noisy curves: the extra part scatters as stated, within 30 %."""
    rng, v = np.random.default_rng(3), np.geomspace(0.01, 1.0, 24)
    found = [
        friction_curve(v, 0.2 + 0.05 * np.exp(-((v / 0.05) ** 2)) + 0.03 * v + rng.normal(0, 1e-3, len(v)))
        for _ in range(120)
    ]
    scatter = float(np.std([f.extra for f in found]))
    assert scatter == pytest.approx(float(np.median([f.u_extra for f in found])), rel=0.3)


def test_too_few_speeds() -> None:
    with pytest.raises(ValueError, match="at 5 or more different positive speeds"):
        friction_curve([0.1, 0.2, 0.3, 0.4], [1.0, 1.0, 1.0, 1.0])
