"""Each fault changes the truth it claims to change, and nothing of what the host believes."""

from __future__ import annotations

import math
import statistics
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_leg import make_bench, make_leg
from make_mechanics import MS, Mechanics, S, ideal

from legtest.errors import UsageError
from legtest.quantities import QUANTITIES
from legtest.simulation.faults import FAULTS, FaultCase, apply, parse_fault
from legtest.simulation.plant import Plant, plant_of


def belt(seed: int = 1) -> Plant:
    return plant_of(make_leg(), make_bench(), seed)


def planar(seed: int = 1) -> Plant:
    return plant_of(make_leg(planar=True), make_bench(), seed)


def test_the_text_of_a_fault() -> None:
    assert parse_fault("backlash") == FaultCase("backlash", "knee", math.radians(3.0))
    assert parse_fault("backlash@hip=3 deg") == FaultCase("backlash", "hip", pytest.approx(math.radians(3)))
    assert parse_fault(" friction @ knee = 150 % ") == FaultCase("friction", "knee", 1.5)
    assert parse_fault("friction=1.5") == FaultCase("friction", "hip", 1.5)
    assert parse_fault("torque-constant=-20 %") == FaultCase("torque-constant", "knee", pytest.approx(-0.20))
    assert parse_fault("dragging-carriage=9 N") == FaultCase("dragging-carriage", "", 9.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("backlsh", r"fault 'backlsh' is not known: did you mean 'backlash'\? the faults are backlash, friction"),
        ("", "fault '' is not known"),
        ("backlash=3", r"fault 'backlash=3': 3 has no unit.*the dead band added, for example backlash=3 deg"),
        ("backlash=3 N", "'N' is not a unit of angle"),
        ("backlash=9 deg", r"the dead band added must lie in 0 deg to 3\.4 deg"),
        ("backlash=", "fault 'backlash=': "),
        ("backlash@", "no joint after '@'; write backlash@knee"),
        ("dropped-frames@hip", "dropped-frames is not at a joint; write dropped-frames without '@hip'"),
        ("dropped-frames=20 %", r"the share dropped must lie in 0 to 0\.05"),
        ("friction=nan", "fault 'friction=nan'"),
    ],
)
def test_a_wrong_text_names_the_way_out(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        parse_fault(text)


def test_a_joint_the_leg_does_not_have() -> None:
    with pytest.raises(UsageError, match="the leg has no joint 'abduction'; its joints are hip, knee"):
        apply(planar(), parse_fault("friction@abduction"))


@given(st.text(max_size=30))
def test_any_text_gives_a_case_or_a_usage_error(text: str) -> None:
    try:
        case = parse_fault(text)
    except UsageError:
        return
    assert case.name in FAULTS


@pytest.mark.parametrize("name", FAULTS)
def test_written_and_read_again_it_is_the_same_fault(name: str) -> None:
    case = parse_fault(name)
    again = parse_fault(str(case))
    assert again[:2] == case[:2]
    assert again.size == pytest.approx(case.size, rel=2e-3)


@pytest.mark.parametrize("name", FAULTS)
def test_catalogue_is_complete(name: str) -> None:
    fault = FAULTS[name]
    assert fault.name == name
    assert fault.low <= fault.default <= fault.high
    assert fault.joint in ("", "hip", "knee")
    assert fault.noticed_by
    assert set(fault.noticed_by) <= set(QUANTITIES)


@pytest.mark.parametrize(
    ("name", "part", "at"),
    [
        ("backlash", "axes", 2),
        ("friction", "axes", 1),
        ("gear-ratio", "axes", 2),
        ("torque-constant", "axes", 2),
        ("lost-counts", "axes", 2),
        ("loose-end-stop", "stops", 1),
        ("dropped-frames", "frame_loss", None),
        ("dragging-carriage", "stand", None),
    ],
)
def test_a_fault_edits_one_part_of_the_plant_and_not_the_description(name: str, part: str, at: int | None) -> None:
    leg = make_leg()
    before = repr(leg)
    healthy = plant_of(leg, make_bench(), 1)
    faulty = apply(healthy, parse_fault(name))
    changed = [f.name for f in fields(Plant) if getattr(healthy, f.name) != getattr(faulty, f.name)]
    assert changed == [part]
    if at is not None:
        pairs = zip(getattr(healthy, part), getattr(faulty, part), strict=True)
        assert [i for i, (old, new) in enumerate(pairs) if old != new] == [at]
    assert repr(leg) == before


def travel(plant: Plant, torque: float = 2.0) -> tuple[float, float]:
    """Hip clamped, the knee pressed against both its stops: how far its drive says it went, and how far it did."""
    rig = Mechanics(replace(plant, stops=tuple(replace(stop, scatter_rad=0.0) for stop in plant.stops)))
    rig.physics.clamp("hip", on=True)
    rig.physics.pose([0.0, -1.0])
    rig.power()
    seen, true = [], []
    for way in (-torque, torque):
        rig.axes[1].push(rig.now_ns, way)
        rig.wait(3 * S)
        seen.append(rig.axes[1].read(rig.now_ns).position_rad)
        true.append(rig.joint("knee"))
    return seen[1] - seen[0], true[1] - true[0]


def test_backlash_adds_its_size_to_the_travel_the_drive_sees() -> None:
    healthy, true = travel(planar())
    faulty, also_true = travel(apply(planar(), parse_fault("backlash=59 mrad")))
    assert faulty - healthy == pytest.approx(0.059, abs=1e-3)
    assert also_true == pytest.approx(true, abs=1e-3)


def test_gear_ratio_multiplies_the_travel_the_drive_sees() -> None:
    # 9 teeth for 8: the drive sees 9/8 of the true travel, give or take the play and the wind-up of the transmission.
    healthy, true = travel(planar())
    faulty, also_true = travel(apply(planar(), parse_fault("gear-ratio")))
    assert faulty / healthy == pytest.approx(9 / 8, abs=2e-3)
    assert also_true == pytest.approx(true, abs=2e-3)


def test_friction_multiplies_the_torque_it_takes_to_turn() -> None:
    """The motor turns the hanging hip to and fro slowly; half the difference of the torques is the friction."""

    def half_loop(plant: Plant) -> float:
        rig = Mechanics(plant)
        rig.physics.pose([0.0, -0.5])
        rig.power()
        zero = rig.axes[0].demand_rad(0)
        torques: dict[int, list[float]] = {1: [], -1: []}
        rig.axes[0].follow(rig.now_ns, zero - 0.2, 400 * MS, 0.0)
        rig.wait(500 * MS)
        for way in (1, -1):
            rig.axes[0].follow(rig.now_ns, zero + 0.2 * way, 2 * S, 0.0)
            rig.wait(600 * MS)
            for _ in range(200):
                rig.wait(4 * MS)
                torques[way].append(rig.torques()[0])
            rig.wait(1 * S)
        return (statistics.mean(torques[1]) - statistics.mean(torques[-1])) / 2

    healthy = half_loop(planar())
    assert healthy == pytest.approx(planar().axes[0].friction_Nm + 0.03 * 0.2, rel=0.05)
    assert half_loop(apply(planar(), parse_fault("friction@hip=2"))) / healthy == pytest.approx(2.0, rel=0.05)


def test_torque_constant_weakens_the_true_torque_and_not_the_believed_one() -> None:
    plant = apply(ideal(planar()), parse_fault("torque-constant"))
    rig = Mechanics(plant)
    for joint in plant.joints:
        rig.physics.clamp(joint, on=True)
    rig.power()
    rig.axes[1].push(0, 4.0)
    rig.wait(1 * S)
    assert rig.torques()[1] == pytest.approx(0.85 * 4.0)
    assert rig.axes[1].read(rig.now_ns).torque_Nm == pytest.approx(4.0, abs=0.06)


def test_lost_counts_shift_the_reading_while_turning_only() -> None:
    plant = apply(replace(ideal(planar()), seed=3), parse_fault("lost-counts"))
    rig = Mechanics(plant)
    rig.physics.pose([0.0, -1.0])
    rig.power()
    axis = rig.axes[1]
    axis.follow(0, axis.demand_rad(0), 0, 0.0)

    def shift() -> float:
        return (axis.read(rig.now_ns).position_rad - rig.rotor(1)) / (2 * math.pi / 65536)

    rig.wait(2 * S)
    still = shift()
    start = axis.demand_rad(rig.now_ns)
    for k in range(1, 251):
        axis.follow(rig.now_ns, start - 0.5 * k / 250, 4 * MS, 0.0)
        rig.wait(4 * MS)
    assert shift() - still == pytest.approx(-40.0, abs=3.0)  # 20 in each half second, rounding and ticks
    rig.wait(2 * S)
    assert axis.read(rig.now_ns).position_rad == pytest.approx(start - 0.5, abs=5e-3)
    after = shift()
    rig.wait(2 * S)
    assert shift() == pytest.approx(after, abs=1.1)


def test_the_loop_follows_the_reading_that_loses_counts() -> None:
    # 80 counts in 0.5 s: the drive sees itself on its line all the way, and the rotor ends 31 mrad short of it.
    rig = Mechanics(apply(ideal(planar()), parse_fault("lost-counts=80")))
    rig.physics.clamp("hip", on=True)
    rig.physics.pose([0.0, -0.3])
    rig.power()
    axis = rig.axes[1]
    start, rotor = axis.demand_rad(0), rig.rotor(1)
    axis.follow(0, start - 1.0, 2 * S, 0.0)
    for _ in range(7):
        rig.wait(400 * MS)
        assert axis.read(rig.now_ns).position_rad == pytest.approx(axis.demand_rad(rig.now_ns), abs=6e-3)
    assert rotor - rig.rotor(1) - 1.0 == pytest.approx(-320 * 2 * math.pi / 65536, abs=4e-3)


def seats(plant: Plant, joint: str, cycles: int = 120) -> list[float]:
    """Where the low stop of a joint sits after each leaving, relative to its true angle."""
    rig = Mechanics(plant)
    model, found = rig.physics.model, []
    number = plant.joints.index(joint)
    low = plant.stops[number].low_rad
    for k in range(2 * cycles):
        pose = [0.0, -1.0]
        pose[number] = low + (0.3 if k % 2 else 0.001)
        rig.physics.pose(pose)
        rig.stops.tick()
        if k % 2:
            found.append(float(model.joint(joint).range[0]) - low)

    return found


def test_a_healthy_stop_scatters_as_its_plant_says() -> None:
    # Chi-square interval of a standard deviation: n = 120, five standard errors = 32 %.
    plant = planar()
    found = seats(plant, "hip")
    assert statistics.stdev(found) == pytest.approx(plant.stops[0].scatter_rad, rel=0.32)
    assert len(set(found)) == len(found)


def test_a_stop_that_is_not_left_keeps_its_seat() -> None:
    rig = Mechanics(planar())
    low = rig.plant.stops[0].low_rad
    rig.physics.pose([low + 0.3, -1.0])
    rig.stops.tick()
    found = set()
    for distance in (0.001, 0.008, 0.015, 0.001):
        rig.physics.pose([low + distance, -1.0])
        rig.stops.tick()
        found.add(float(rig.physics.model.joint("hip").range[0]))
    assert len(found) == 1


def test_a_loose_stop_seats_anywhere_in_its_range() -> None:
    # Uniform over +-15 mrad: standard deviation 15 / sqrt(3) = 8.66 mrad.
    found = seats(apply(planar(), parse_fault("loose-end-stop@hip")), "hip")
    assert statistics.stdev(found) == pytest.approx(0.015 / math.sqrt(3), rel=0.2)
    assert max(map(abs, found)) < 0.015 + 6 * math.radians(0.10)


def test_a_dragging_carriage_takes_its_friction_to_move() -> None:
    def slides(plant: Plant, share: float) -> float:
        """The free carriage on its rail, lifted with its weight and a share of 15 N: how far it goes in 0.2 s."""
        rig = Mechanics(plant)
        weight = 9.80665 * (plant.stand.carriage_mass_kg + sum(link.mass_kg for link in plant.links))
        carriage = rig.physics.model.body("carriage").id
        rig.physics.data.xfrc_applied[carriage, 2] = weight + 15.0 * share
        rig.physics.clamp("rail", on=False)
        start = rig.joint("rail")
        rig.wait(200 * MS)
        return rig.joint("rail") - start

    faulty = apply(belt(), parse_fault("dragging-carriage"))
    assert slides(belt(), 0.8) > 0.03
    assert abs(slides(faulty, 0.8)) < 1e-3
    assert slides(faulty, 1.5) > 0.01
