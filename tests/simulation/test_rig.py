"""The rig as a whole: what goes over the bus comes from the plant, and one seed is one run."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence

import pytest
from make_leg import make_bench, make_leg

from legtest.canbus.frame import Frame, frame
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.simulation.faults import FaultCase, parse_fault
from legtest.simulation.rig import Rig, build_rig

MS = 1_000_000
COUNT = 2 * math.pi / 65536


def make_rig(seed: int = 1, faults: Sequence[FaultCase] = (), planar: bool = False) -> Rig:
    return build_rig(make_leg(planar=planar), make_bench(), seed=seed, faults=faults)


def upload(rig: Rig, node: int, index: int, sub: int) -> int:
    """An expedited SDO upload (CiA 301, 7.2.4), as an unsigned number."""
    rig.link.send(frame(0x600 + node, bytes((0x40, index & 0xFF, index >> 8, sub, 0, 0, 0, 0))))
    answers = [f for f in rig.link.pump(rig.link.now_ns() + 5 * MS) if f.can_id == 0x580 + node]
    assert len(answers) == 1, answers
    data = answers[0].data
    assert data[0] & 0xE3 == 0x43
    return int.from_bytes(data[4 : 8 - (data[0] >> 2 & 3)], "little")


def download(rig: Rig, node: int, index: int, value: int, size: int) -> None:
    """An expedited SDO download (CiA 301, 7.2.4) to sub-index 0."""
    head = bytes((0x23 | (4 - size) << 2, index & 0xFF, index >> 8, 0))
    rig.link.send(frame(0x600 + node, head + (value & 0xFFFFFFFF).to_bytes(4, "little")))
    answers = [f for f in rig.link.pump(rig.link.now_ns() + 5 * MS) if f.can_id == 0x580 + node]
    assert [f.data[0] for f in answers] == [0x60]


def test_every_drive_answers_with_the_identity_of_the_leg_file() -> None:
    rig = make_rig()
    rig.link.pump(10 * MS)
    for node in (1, 2, 3):
        assert upload(rig, node, 0x1018, 1) == 0x5E7
        assert upload(rig, node, 0x1018, 4) == 100 + node
        assert upload(rig, node, 0x6076, 0) == 6000


def test_the_position_on_the_bus_is_the_true_angle_from_an_arbitrary_zero() -> None:
    rig = make_rig()
    rig.link.pump(10 * MS)
    for number, axis in enumerate(rig.plant.axes):
        raw = upload(rig, number + 1, 0x6064, 0)
        raw -= (raw & 0x80000000) << 1
        true = rig.truth().actuator_rad[axis.name] + axis.zero_rad
        assert raw * COUNT == pytest.approx(true, abs=6 * COUNT)


def test_a_motion_commanded_over_the_bus_moves_the_true_joint() -> None:
    # CiA 402: profile position (6060 = 1), enable by 6, 7, 15, new set-point by bit 4; half a radian in counts.
    rig = make_rig(planar=True)
    rig.link.pump(10 * MS)
    before = rig.truth().joint_rad["knee"]
    download(rig, 2, 0x6060, 1, 1)
    for word in (6, 7, 15):
        download(rig, 2, 0x6040, word, 2)
    goal = round((rig.truth().actuator_rad["knee"] + rig.plant.axes[1].zero_rad - 0.5) / COUNT)
    download(rig, 2, 0x6081, round(1.0 / COUNT), 4)
    download(rig, 2, 0x6083, round(10.0 / COUNT), 4)
    download(rig, 2, 0x607A, goal, 4)
    download(rig, 2, 0x6040, 31, 2)
    rig.link.pump(rig.link.now_ns() + 1500 * MS)
    assert rig.truth().joint_rad["knee"] - before == pytest.approx(-0.5, abs=0.01)
    with pytest.raises(UsageError, match="nobody reaches into a powered leg; knee must be off first"):
        rig.person.arrange(SetUp.CLAMPED)
    download(rig, 2, 0x6040, 0, 2)
    rig.person.arrange(SetUp.CLAMPED)


def test_truth_agrees_with_itself() -> None:
    # Motor angles = inverse coupling x joint angles but for play and wind-up; foot by the textbook leg formula.
    rig = make_rig()
    rig.link.pump(200 * MS)
    truth = rig.truth()
    a, h, k = (truth.joint_rad[name] for name in ("abduction", "hip", "knee"))
    assert truth.actuator_rad["knee"] == pytest.approx(h + k, abs=0.005)
    down = rig.plant.thigh_m * math.cos(h) + rig.plant.shank_m * math.cos(h + k)
    x = -rig.plant.thigh_m * math.sin(h) - rig.plant.shank_m * math.sin(h + k)
    y = rig.plant.hip_offset_m * math.cos(a) + down * math.sin(a)
    z = rig.plant.hip_offset_m * math.sin(a) - down * math.cos(a)
    assert truth.foot_m == pytest.approx((x, y, z), abs=1e-9)
    assert truth.hip_height_m == pytest.approx(0.55, abs=1e-3)
    assert set(truth.torque_Nm.values()) == {0.0}


def frames_of_a_run(seed: int) -> str:
    rig = make_rig(seed)
    rig.link.pump(10 * MS)
    rig.person.arrange(SetUp.STANDING)
    frames: list[Frame] = []
    for k in range(40):
        rig.link.send(frame(0x601 + k % 3, bytes((0x40, 0x64, 0x60, 0, 0, 0, 0, 0))))
        frames += rig.link.pump(rig.link.now_ns() + 4 * MS)
    return hashlib.sha256(repr(frames).encode() + rig.physics.data.qpos.tobytes()).hexdigest()


def test_one_seed_is_one_run() -> None:
    assert frames_of_a_run(11) == frames_of_a_run(11)
    assert frames_of_a_run(11) != frames_of_a_run(12)


def test_the_person_lets_time_pass_on_the_bus() -> None:
    rig = make_rig()
    before = rig.link.now_ns()
    rig.person.arrange(SetUp.STANDING)
    assert rig.link.now_ns() > before + 1000 * MS
    assert rig.truth().hip_height_m < 0.32


def test_faults_reach_the_plant_together() -> None:
    rig = make_rig(faults=[parse_fault("friction@hip"), parse_fault("friction@knee"), parse_fault("dropped-frames")])
    healthy = make_rig()
    ratios = [a.friction_Nm / b.friction_Nm for a, b in zip(rig.plant.axes, healthy.plant.axes, strict=True)]
    assert ratios == pytest.approx([1.0, 2.0, 2.0])
    assert rig.plant.frame_loss == 0.01


def test_a_fault_given_twice_is_refused() -> None:
    with pytest.raises(UsageError, match="fault 'backlash@knee=3 deg' is given twice"):
        make_rig(faults=[parse_fault("backlash"), parse_fault("backlash@knee=1 deg")])


def test_the_planar_leg_has_two_nodes() -> None:
    rig = make_rig(planar=True)
    rig.link.pump(10 * MS)
    assert [node.node_id for node in rig.nodes] == [1, 2]
    assert upload(rig, 2, 0x1018, 4) == 102
    assert set(rig.truth().joint_rad) == {"hip", "knee"}


@pytest.mark.parametrize("share", [0.0, 0.05])
def test_dropped_frames_are_dropped_at_the_adapter(share: float) -> None:
    faults = [parse_fault(f"dropped-frames={share * 100:g} %")] if share else []
    rig = make_rig(faults=faults)
    rig.link.pump(10 * MS)
    answers = 0
    for _ in range(400):
        rig.link.send(frame(0x601, bytes((0x40, 0x64, 0x60, 0, 0, 0, 0, 0))))
        answers += sum(f.can_id == 0x581 for f in rig.link.pump(rig.link.now_ns() + 2 * MS))
    # Request and answer must both get through; binomial, 5 standard errors.
    expected = (1 - share) ** 2
    assert answers / 400 == pytest.approx(expected, abs=5 * math.sqrt(expected * (1 - expected) / 400))
