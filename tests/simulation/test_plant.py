"""A plant is the drawing with every part inside its tolerance, the same for the same seed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_leg import BELT, TRAVEL, make_bench, make_leg

from legtest.errors import UsageError
from legtest.simulation.plant import inverse, plant_of


@given(seed=st.integers(0, 2**63))
def test_every_part_lies_inside_its_tolerance(seed: int) -> None:
    plant = plant_of(make_leg(), make_bench(), seed)
    assert abs(plant.thigh_m - 0.172) <= 0.2e-3
    assert abs(plant.shank_m - 0.188) <= 0.2e-3
    assert abs(plant.hip_offset_m - 0.061) <= 0.2e-3
    for link, nominal in zip(plant.links, (0.55, 0.90, 0.25), strict=True):
        assert link.mass_kg == pytest.approx(nominal, rel=0.03)
    for axis in plant.axes:
        assert axis.friction_Nm == pytest.approx(0.22, rel=0.10)
        assert axis.viscous_Nms_per_rad == pytest.approx(0.03, rel=0.20)
        assert axis.torque_constant == pytest.approx(1.0, rel=0.02)
        assert axis.sense_gain == pytest.approx(1.0, rel=0.01)
        assert 0.05 <= math.degrees(axis.backlash_rad) <= 0.20
        assert axis.gear_scale == 1.0
        assert axis.lost_counts_per_s == 0.0
    for stop, name in zip(plant.stops, plant.joints, strict=True):
        low, high = TRAVEL[name]
        assert math.degrees(abs(stop.low_rad - low)) <= 0.1 + 1e-9
        assert math.degrees(abs(stop.high_rad - high)) <= 0.1 + 1e-9
        assert 0.05 <= math.degrees(stop.scatter_rad) <= 0.10
        assert stop.loose_rad == 0.0


def test_one_seed_is_one_leg_and_another_seed_another() -> None:
    first, again, other = (plant_of(make_leg(), make_bench(), seed) for seed in (7, 7, 8))
    assert first == again
    assert first.axes != other.axes
    assert first.links != other.links
    assert first.stops != other.stops


def test_naming_one_part_in_the_leg_file_moves_no_other() -> None:
    plain = plant_of(make_leg(), make_bench(), 3)
    told = plant_of(make_leg(simulation={"backlash_rad": 0.02, "thigh_mass_kg": 1.8}), make_bench(), 3)
    assert [axis.backlash_rad for axis in told.axes] == [0.02] * 3
    assert told.links[1].mass_kg == pytest.approx(2 * plain.links[1].mass_kg)
    assert told.links[2] == plain.links[2]
    assert tuple(replace(axis, backlash_rad=0.0) for axis in told.axes) == tuple(
        replace(axis, backlash_rad=0.0) for axis in plain.axes
    )


def test_the_stand_file_sets_the_stand() -> None:
    told = {"stiffness_N_per_m": 5e4, "damping_ratio": 0.1, "moving_mass_kg": 9.0, "rail_friction_N": 3.0}
    stand = plant_of(make_leg(), make_bench(told), 1).stand
    assert (stand.stiffness_N_per_m, stand.damping_ratio, stand.moving_mass_kg) == (5e4, 0.1, 9.0)
    assert (stand.rail_friction_N, stand.carriage_mass_kg, stand.hip_height_m) == (3.0, 1.4, 0.55)


def test_a_leg_of_another_build_is_refused() -> None:
    leg = make_leg()
    swapped = replace(leg, joints=leg.joints[::-1])
    with pytest.raises(UsageError, match=r"leg\.yaml: joints knee/hip/abduction: the simulated leg knows abduction"):
        plant_of(swapped, make_bench(), 1)


def test_inverse_of_the_belt_coupling() -> None:
    # q_knee = m_knee - m_hip, solved by hand: m_knee = q_hip + q_knee.
    assert inverse(BELT, "leg.yaml") == ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 1.0, 1.0))


@given(st.lists(st.lists(st.floats(-2, 2), min_size=3, max_size=3), min_size=3, max_size=3))
def test_inverse_times_matrix_is_one(rows: list[list[float]]) -> None:
    matrix = tuple(tuple(x + (4.0 if i == k else 0.0) * 2 for k, x in enumerate(row)) for i, row in enumerate(rows))
    back = inverse(matrix, "here")
    for i in range(3):
        for k in range(3):
            assert sum(matrix[i][j] * back[j][k] for j in range(3)) == pytest.approx(float(i == k), abs=1e-9)


@pytest.mark.parametrize("rows", [((1.0, 2.0), (2.0, 4.0)), ((1.0, 0.0),)])
def test_a_coupling_without_inverse_is_refused(rows: tuple[tuple[float, ...], ...]) -> None:
    with pytest.raises(UsageError, match="here: coupling"):
        inverse(rows, "here")
