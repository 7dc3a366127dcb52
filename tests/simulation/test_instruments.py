"""Readings beside the drives: right on the average, wrong by what is stated, and only of what can be read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_leg import make_bench, make_leg
from make_mechanics import Mechanics, ideal

from legtest.description.model import INSTRUMENT_KINDS, Instrument
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.simulation.plant import plant_of


def _instrument(quantity: str, u: float = 1e-9) -> Instrument:
    return Instrument(f"a {quantity} gauge", quantity, u, "person", "")


def _rig(seed: int = 3) -> Mechanics:
    return Mechanics(plant_of(make_leg(), make_bench(), seed))


def test_errors_are_as_large_as_stated() -> None:
    """Over 40 benches: the mean of squares of the error is u^2 (chi-square of 40 at 99.9 %: 0.45 to 1.84)."""
    errors = []
    for seed in range(40):
        rig = _rig(seed)
        errors.append((rig.person.read(_instrument("rail_height", 1e-4), "") - rig.physics.height_m()) / 1e-4)
    assert 0.45 < float(np.mean(np.square(errors))) < 1.84


def test_readings_of_one_instrument_share_half_of_their_variance() -> None:
    rig, shown = _rig(), []
    for _ in range(100):
        rig.wait(1_000_000)
        shown.append(rig.person.read(_instrument("rail_height", 1e-3), "") - rig.physics.height_m())
    assert np.std(shown, ddof=1) == pytest.approx(1e-3 / np.sqrt(2), rel=0.3)
    assert rig.person.read(_instrument("rail_height", 1e-3), "") == shown[-1] + rig.physics.height_m()


def test_what_is_read_is_what_is_there() -> None:
    """A stiff leg on the floor carries carriage and links; a push of 6 N moves a stand of 60 N/mm by 0.1 mm."""
    plant = ideal(plant_of(make_leg(), make_bench(), 3))
    plant = replace(plant, stand=replace(plant.stand, stiffness_N_per_m=60e3, moving_mass_kg=1.0, damping_ratio=0.3))
    rig = Mechanics(plant)
    assert rig.person.read(_instrument("foot_force"), "") == pytest.approx(0.0, abs=1e-6)
    rig.person.arrange(SetUp.STANDING)
    for joint in plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.physics.block_rail(-10.0)
    rig.wait(3_000_000_000)
    weight = 9.80665 * (plant.stand.carriage_mass_kg + sum(link.mass_kg for link in plant.links))
    assert rig.person.read(_instrument("foot_force"), "") == pytest.approx(weight, rel=0.1)  # the rail rubs
    for joint in plant.joints:
        rig.physics.clamp(joint, on=False)
    rig.person.arrange(SetUp.FOOT_CLAMPED)
    rig.wait(3_000_000_000)
    before = rig.person.read(_instrument("stand_displacement"), "")
    rig.physics.push_foot((6.0, 0.0, 0.0))
    rig.wait(3_000_000_000)
    assert rig.person.read(_instrument("stand_displacement"), "") - before == pytest.approx(1e-4, rel=0.01)
    assert rig.person.read(_instrument("supply_current"), "") == pytest.approx(1.0 / plant.supply_V, rel=1e-3)  # idle
    assert rig.person.read(_instrument("winding_temperature"), "knee") == pytest.approx(plant.ambient_C, abs=1e-3)


def test_a_thermometer_is_held_somewhere() -> None:
    with pytest.raises(UsageError, match=r"say at which joint it is read: .*knee"):
        _rig().person.read(_instrument("winding_temperature"), "")


@pytest.mark.parametrize("quantity", INSTRUMENT_KINDS)
def test_every_instrument_of_a_bench_file_can_be_simulated(quantity: str) -> None:
    assert np.isfinite(_rig().person.read(_instrument(quantity), "knee"))
