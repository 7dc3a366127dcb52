"""Orders over an arc that is no whole turn: which, how large, and what is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legtest.metrology.orders import orders

ANGLE = np.linspace(-1.1, 1.2, 560)


def _series(parts: list[tuple[int, float]], noise: float = 0.0) -> np.ndarray:
    y = 0.3 + 1.2 * np.sin(ANGLE) - 0.2 * np.cos(ANGLE)
    for order, amplitude in parts:
        y = y + amplitude * np.cos(order * ANGLE + 0.7)
    return y + np.random.default_rng(2).normal(0, noise, len(y)) if noise else y


@settings(deadline=None, max_examples=12)
@given(st.integers(10, 60), st.integers(70, 240), st.floats(0.01, 0.1), st.floats(0.01, 0.1))
def test_two_orders_are_found_with_their_size(low: int, high: int, a: float, b: float) -> None:
    found = orders(ANGLE, _series([(low, a), (high, b)], 1e-5), ANGLE, range(6, 250))
    sizes = {order.order: order.amplitude for order in found.strong}
    assert sizes[low] == pytest.approx(a, rel=0.02)
    assert sizes[high] == pytest.approx(b, rel=0.02)
    assert found.constant == pytest.approx(0.3, abs=0.003)


def test_phase_and_order_of_strength() -> None:
    found = orders(ANGLE, _series([(54, 0.02), (9, 0.05)]), ANGLE, range(6, 250)).strong
    assert [order.order for order in found[:2]] == [9, 54]
    assert found[0].phase_rad == pytest.approx(0.7, abs=1e-6)


def test_noise_alone_gives_the_strongest_order_and_its_own_size() -> None:
    found = orders(ANGLE, _series([], 0.01), ANGLE, range(6, 250))
    assert found.noise == pytest.approx(0.01 * np.sqrt(2 / len(ANGLE)), rel=0.1)
    assert len(found.strong) <= 2
    assert found.strong[0].amplitude < 5 * found.noise


def test_the_constant_scatters_as_it_says() -> None:
    rng, clean = np.random.default_rng(5), _series([(9, 0.03)])
    found = [orders(ANGLE, clean + rng.normal(0, 0.01, len(ANGLE)), ANGLE, range(6, 250)) for _ in range(40)]
    scatter = float(np.std([f.constant for f in found], ddof=1))
    assert scatter == pytest.approx(float(np.median([f.u_constant for f in found])), rel=0.35)


def test_too_few_values() -> None:
    with pytest.raises(ValueError, match="are too few for 12 orders"):
        orders(ANGLE[:20], ANGLE[:20], ANGLE[:20], range(6, 50))
