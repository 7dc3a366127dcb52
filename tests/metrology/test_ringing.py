"""Vibrations with known frequency and damping (closed form of a free damped oscillator), with drift and noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legtest.metrology.ringing import ringing


def vibration(t: np.ndarray, frequency: float, zeta: float) -> np.ndarray:
    w = 2 * np.pi * frequency
    return np.exp(-zeta * w * t) * np.cos(w * np.sqrt(1 - zeta**2) * t + 0.7)


@settings(deadline=None, max_examples=15)
@given(st.floats(4, 20), st.floats(0.005, 0.15))
def test_a_clean_vibration_on_a_drift_is_found_exactly(frequency: float, zeta: float) -> None:
    t = np.arange(0, 2, 0.004)
    found = ringing(t, 0.3 - 0.1 * t + 0.2 * t**2 + 0.1 * vibration(t, frequency, zeta), lowest_hz=3, highest_hz=25)
    assert found.frequency_hz == pytest.approx(frequency, rel=1e-6)
    assert found.damping == pytest.approx(zeta, rel=1e-4, abs=1e-7)
    assert found.amplitude == pytest.approx(0.1, rel=1e-5)


def test_the_stated_uncertainties_are_the_scatter() -> None:
    t, rng = np.arange(0, 2, 0.004), np.random.default_rng(1)
    clean = vibration(t, 6.5, 0.03)
    found = [ringing(t, clean + rng.normal(0, 0.1, len(t)), lowest_hz=3, highest_hz=15) for _ in range(30)]
    for value, u, true in (("frequency_hz", "u_frequency_hz", 6.5), ("damping", "u_damping", 0.03)):
        values = np.array([getattr(f, value) for f in found])
        stated = np.mean([getattr(f, u) for f in found])
        assert values.std() == pytest.approx(stated, rel=0.3)
        assert abs(values.mean() - true) < 4 * stated / np.sqrt(30)


def test_what_does_not_ring() -> None:
    t = np.arange(0, 2, 0.004)
    with pytest.raises(ValueError, match="only 10 samples"):
        ringing(t[:10], t[:10], lowest_hz=3, highest_hz=15)
    with pytest.raises(ValueError, match="no vibration between 3 and 15 Hz"):
        ringing(t, vibration(t, 18.0, 0.01), lowest_hz=3, highest_hz=15)
