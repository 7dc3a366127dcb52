"""The simulated person arranges the bench by physics and never touches a powered leg."""

from __future__ import annotations

import pytest
from make_leg import make_bench, make_leg
from make_mechanics import Mechanics, S

from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.simulation.mjcf import FOOT_RADIUS_m
from legtest.simulation.plant import plant_of


@pytest.fixture(params=[False, True], ids=["three-joint", "planar"])
def rig(request: pytest.FixtureRequest) -> Mechanics:
    return Mechanics(plant_of(make_leg(planar=request.param), make_bench(), 4))


def test_standing_the_limp_leg_rests_folded_on_the_floor(rig: Mechanics) -> None:
    rig.person.arrange(SetUp.STANDING)
    length = rig.plant.length_m
    assert rig.physics.height_m() == pytest.approx(0.80 * length + FOOT_RADIUS_m, abs=2e-3)
    x, y, z = rig.physics.foot_m()
    assert x == pytest.approx(0.0, abs=0.01)
    assert y == pytest.approx(rig.plant.hip_offset_m, abs=0.01)
    assert z == pytest.approx(-0.80 * length, abs=2e-3)
    assert rig.joint("knee") < -1.0
    before = rig.physics.foot_m()
    rig.wait(2 * S)
    assert rig.physics.foot_m() == pytest.approx(before, abs=0.5e-3)
    assert max(abs(rig.speed(joint)) for joint in ("rail", *rig.plant.joints)) < 1e-3


def test_standing_the_carriage_is_free_to_rise(rig: Mechanics) -> None:
    rig.person.arrange(SetUp.STANDING)
    low = rig.physics.height_m()
    carriage = rig.physics.model.body("carriage").id
    rig.physics.data.xfrc_applied[carriage, 2] = 60.0
    rig.wait(S // 5)
    assert rig.physics.height_m() > low + 0.02


def test_from_the_floor_back_to_hanging(rig: Mechanics) -> None:
    rig.person.arrange(SetUp.STANDING)
    rig.person.arrange(SetUp.CLAMPED)
    rig.wait(2 * S)
    assert rig.physics.height_m() == pytest.approx(rig.plant.stand.hip_height_m, abs=1e-4)
    assert rig.physics.data.ncon == 0
    assert max(abs(rig.speed(joint)) for joint in rig.plant.joints) < 1e-3


def test_clamped_foot_holds_every_joint_until_it_is_let_go(rig: Mechanics) -> None:
    rig.person.arrange(SetUp.FOOT_CLAMPED)
    before = [rig.joint(joint) for joint in rig.plant.joints]
    rig.power()
    for axis in rig.axes:
        axis.push(rig.now_ns, 5.0)
    rig.wait(S)
    assert [rig.joint(joint) for joint in rig.plant.joints] == pytest.approx(before, abs=2e-3)
    for axis in rig.axes:
        axis.enable(rig.now_ns, False)
    rig.person.arrange(SetUp.CLAMPED)
    rig.power()
    for axis in rig.axes:
        axis.push(rig.now_ns, 3.0)
    rig.wait(S)
    moved = [abs(rig.joint(joint) - x) for joint, x in zip(rig.plant.joints, before, strict=True)]
    assert max(moved) > 0.1


def test_the_hung_mass_pulls_with_its_weight(rig: Mechanics) -> None:
    # Weight times lever: the loops hold the leg bent, so the mass adds m g x at the hip (x = foot forward of it).
    start = {"abduction": 0.0, "hip": 0.2, "knee": -1.2}

    def hold_torque(mass_kg: float) -> tuple[float, float]:
        for axis in rig.axes:
            axis.enable(rig.now_ns, False)
        if mass_kg:
            rig.person.arrange(SetUp.MASS, mass_kg)
        rig.power()
        for row, axis in zip(rig.plant.actuator_of_joint, rig.axes, strict=True):
            goal = sum(c * start[joint] for c, joint in zip(row, rig.plant.joints, strict=True))
            axis.follow(rig.now_ns, goal + axis.demand_rad(rig.now_ns) - rig.rotor(rig.axes.index(axis)), S, 0.0)
        rig.wait(4 * S)
        x, _, _ = rig.physics.foot_m()
        hip = rig.plant.joints.index("hip")
        joint_torque = sum(
            row[hip] * torque for row, torque in zip(rig.plant.actuator_of_joint, rig.torques(), strict=True)
        )
        return joint_torque, x

    bare, _ = hold_torque(0.0)
    loaded, x = hold_torque(0.8)
    masses = rig.physics.model.body_mass
    assert float(rig.physics.model.body("stand").subtreemass[0]) == pytest.approx(
        float(masses.sum() - sum(rig.physics.model.body(f"rotor_{axis.name}").mass[0] for axis in rig.axes))
    )
    # Positive hip swings the foot backwards, so a weight in front of the hip wants negative torque to be held.
    friction = sum(axis.friction_Nm for axis in rig.plant.axes)
    assert abs(x) > 0.05
    assert loaded - bare == pytest.approx(-0.8 * 9.80665 * x, abs=2 * friction)
    for axis in rig.axes:
        axis.enable(rig.now_ns, False)
    rig.person.arrange(SetUp.CLAMPED)
    assert float(rig.physics.model.body("foot").mass[0]) < 1e-6


def test_nobody_reaches_into_a_powered_leg(rig: Mechanics) -> None:
    rig.axes[1].enable(0, True)
    before = rig.now_ns
    with pytest.raises(UsageError, match=rf"nobody reaches into a powered leg; {rig.axes[1].name} must be off first"):
        rig.person.arrange(SetUp.STANDING)
    assert rig.now_ns == before


@pytest.mark.parametrize(("setup", "mass"), [(SetUp.MASS, 0.0), (SetUp.MASS, 50.0), (SetUp.CLAMPED, 0.5)])
def test_a_mass_that_does_not_go_with_the_arrangement(rig: Mechanics, setup: SetUp, mass: float) -> None:
    with pytest.raises(UsageError, match="only 'mass on foot' takes one, above 0 and up to 20 kg"):
        rig.person.arrange(setup, mass)


def test_a_stand_too_low_to_stand_on_says_so() -> None:
    bench = make_bench()
    low = type(bench.stand)(
        **{name: getattr(bench.stand, name) for name in bench.stand.__slots__} | {"hip_height_m": 0.2}
    )
    bench = type(bench)(**{name: getattr(bench, name) for name in bench.__slots__} | {"stand": low})
    rig = Mechanics(plant_of(make_leg(), bench, 1))
    with pytest.raises(UsageError, match=r"0\.2 m above the floor: too low for the leg to stand folded, .* 0\.298 m"):
        rig.person.arrange(SetUp.STANDING)
