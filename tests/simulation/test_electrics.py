"""Drives, encoders and the one supply: what each part does to what the host sees."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from make_leg import make_bench, make_leg
from make_mechanics import MS, Mechanics, S, ideal, with_axes

from legtest.errors import UsageError
from legtest.simulation.actuator import Supply
from legtest.simulation.faults import FAULTS, apply, parse_fault
from legtest.simulation.faults_electric import ELECTRIC
from legtest.simulation.plant import Plant, plant_of
from legtest.simulation.rig import build_rig


def planar(seed: int = 1) -> Plant:
    return plant_of(make_leg(planar=True), make_bench(), seed)


@pytest.mark.parametrize("name", [fault.name for fault in ELECTRIC])
def test_an_electric_fault_edits_axes_or_supply_and_not_the_description(name: str) -> None:
    leg = make_leg()
    before, healthy = repr(leg), plant_of(leg, make_bench(), 1)
    faulty = apply(healthy, parse_fault(name))
    joint = FAULTS[name].joint
    if joint:
        pairs = zip(healthy.joints, healthy.axes, faulty.axes, strict=True)
        assert [at for at, old, new in pairs if old != new] == [joint]
        assert replace(faulty, axes=healthy.axes) == healthy
    else:
        assert faulty.supply != healthy.supply
        assert replace(faulty, supply=healthy.supply) == healthy
    assert repr(leg) == before


def _supplied(plant: Plant) -> tuple[Mechanics, Supply]:
    rig = Mechanics(plant)
    return rig, rig.axes[0]._supply


def test_what_braking_gives_back_charges_the_capacitors() -> None:
    """A torque against a turning joint: the energy it takes out less copper loss and idle is C (V^2 - V0^2) / 2."""
    plant = ideal(planar())
    plant = with_axes(replace(plant, supply=replace(plant.supply, idle_W=0.0)), winding_ohm_A2_per_Nm2=0.0)
    rig, supply = _supplied(plant)
    rig.physics.data.qvel[rig.physics.rotor_index[0]] = 0.0
    for axis in rig.axes:
        axis.enable(rig.now_ns, True)
        axis.limit(rig.now_ns, 18.0, 18.0)
    rig.axes[0].push(rig.now_ns, 3.0)
    rig.wait(100 * MS)  # speeds up, and takes from the supply
    rig.axes[0].push(rig.now_ns, -3.0)
    gained, steps = 0.0, 0
    while rig.physics.state().velocity[rig.physics.rotor_index[0]] > 0.5 and steps < 400:
        state = rig.physics.state()
        watts = sum(t * state.velocity[i] for t, i in zip(state.torque, rig.physics.rotor_index, strict=True))
        gained -= watts * 0.5e-3
        rig.wait(MS // 2)
        steps += 1
    stored = 0.5 * plant.supply.capacitance_F * (supply.volts() ** 2 - plant.supply_V**2)
    assert stored > 0.05
    assert stored == pytest.approx(gained, rel=0.1)
    assert supply.highest_V == pytest.approx(supply.volts(), rel=1e-3)
    rig.axes[0].push(rig.now_ns, 0.0)


def test_a_braking_resistor_holds_the_voltage() -> None:
    plant = ideal(planar())
    supply = replace(plant.supply, clamp_V=plant.supply_V + 0.5, idle_W=0.0, capacitance_F=1e-3)
    rig, watched = _supplied(with_axes(replace(plant, supply=supply), winding_ohm_A2_per_Nm2=0.0))
    rig.power()
    rig.axes[0].push(rig.now_ns, 3.0)
    rig.wait(100 * MS)
    rig.axes[0].push(rig.now_ns, -3.0)
    rig.wait(60 * MS)
    assert watched.highest_V == pytest.approx(plant.supply_V + 0.5, abs=0.01)


def test_a_supply_that_is_switched_off_discharges() -> None:
    rig, supply = _supplied(planar())
    supply.on = False
    rig.wait(20 * MS)
    assert supply.volts() == pytest.approx(48.0 * math.exp(-20e-3 / rig.plant.supply.discharge_s), rel=1e-6)
    assert supply.current_A == 0.0
    supply.on = True
    assert supply.volts() == pytest.approx(48.0, abs=0.01)


def test_an_encoder_that_forgets_turns_reads_within_one_of_them() -> None:
    rig = Mechanics(apply(planar(), parse_fault("one-turn-encoder@hip=8")))
    rig.physics.pose([1.0, -1.0])
    axis = rig.axes[0]
    before = axis.read(rig.now_ns).position_rad
    axis.power_up()
    rig.wait(MS)
    after = axis.read(rig.now_ns).position_rad
    assert abs(after) <= math.pi / 8 + 1e-2
    turns = (after - before) / (math.tau / 8)
    assert turns == pytest.approx(round(turns), abs=0.05)  # the limp leg has moved a little meanwhile
    sound = Mechanics(planar())
    here = sound.axes[0].read(0).position_rad
    sound.axes[0].power_up()
    sound.wait(MS)
    assert sound.axes[0].read(sound.now_ns).position_rad == pytest.approx(here, abs=1e-2)


def test_stuck_bits_round_the_reading_down_to_steps() -> None:
    rig = Mechanics(apply(planar(), parse_fault("stuck-bits@knee=4")))
    step = math.tau / rig.plant.axes[1].counts_per_turn
    for k in range(50):
        rig.wait(MS)
        counts = rig.axes[1].read(rig.now_ns).position_rad / step
        assert counts == pytest.approx(16 * round(counts / 16), abs=1e-6), k


def test_grease_gets_softer_as_the_joint_moves() -> None:
    plant = with_axes(apply(planar(), parse_fault("stiff-when-cold@hip=50 %")), friction_ripple=0.0)
    rig = Mechanics(plant)
    dof = rig.physics.rotor_index[0]
    rig.wait(40 * MS)
    cold = float(rig.physics.model.dof_frictionloss[dof])
    rig.axes[0]._travel_rad = plant.axes[0].drive.worn_in_rad
    rig.wait(40 * MS)
    warm = float(rig.physics.model.dof_frictionloss[dof])
    assert cold / warm == pytest.approx(1.5 / (1 + 0.5 / math.e), rel=0.02)


def test_a_person_switches_the_supplies_of_a_rig_and_nobody_those_of_bare_mechanics() -> None:
    rig = build_rig(make_leg(), make_bench(), seed=1)
    t_ns, within_s = rig.person.emergency_stop(pressed=True)
    assert abs(t_ns - rig.bus.now_ns) <= within_s * 1e9 + 1
    assert not rig.supply.on
    rig.person.emergency_stop(pressed=False)
    assert rig.supply.on
    with pytest.raises(UsageError, match="nobody can switch the supplies"):
        Mechanics(planar()).person.power_cycle()
    rig.axes[0].enable(rig.bus.now_ns, True)
    for hands in (rig.person.power_cycle, lambda: rig.person.pose([0.0] * 3)):
        with pytest.raises(UsageError, match="powered leg"):
            hands()


def test_a_leg_is_held_where_a_hand_has_brought_it() -> None:
    rig = Mechanics(planar())
    rig.person.pose([0.4, -1.2])
    rig.wait(1 * S)
    assert rig.joint("hip") == pytest.approx(0.4, abs=5e-3)
    assert rig.joint("knee") == pytest.approx(-1.2, abs=5e-3)
    rig.person.let_go()
    rig.wait(2 * S)
    assert abs(rig.joint("hip")) < 0.3
