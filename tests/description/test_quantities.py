"""The catalogue of quantities is consistent in itself."""

from __future__ import annotations

import pytest

from legtest.quantities import QUANTITIES, Quantity
from legtest.units import KINDS

NAMES = {
    *("homing_repeatability", "home_shift", "travel_error", "backlash", "coulomb_friction", "viscous_friction"),
    *("holding_torque_ratio", "stiffness_ratio", "yield_ratio", "return_error", "holding_drift"),
    *("path_residual", "path_delay", "path_gain_error", "path_accuracy", "path_repeatability", "following_error"),
    *("telemetry_loss", "carriage_drag"),
}


def test_names() -> None:
    """Leg files and histories of users hold these names: taking one away breaks them."""
    assert set(QUANTITIES) >= NAMES


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=str)
def test_entry(quantity: Quantity) -> None:
    assert quantity.kind in KINDS
    assert quantity.title
    assert len(quantity.what) > 20
    assert quantity.worse == "away" or quantity.target == 0.0


def test_badness_grows_as_the_leg_gets_worse() -> None:
    ratio = QUANTITIES["stiffness_ratio"]
    assert ratio.badness(0.7) == pytest.approx(0.3)
    assert ratio.badness(1.3) > ratio.badness(1.1)
    assert QUANTITIES["backlash"].badness(0.02) > QUANTITIES["backlash"].badness(0.01)
    assert QUANTITIES["travel_error"].badness(-0.02) > QUANTITIES["travel_error"].badness(0.01)
