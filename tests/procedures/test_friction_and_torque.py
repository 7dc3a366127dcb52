"""Friction, torque, stiffness and geometry: made-up samples with a known answer, sound legs, one fault each."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from made_up import LEG, PERIOD_NS, moved
from simulated import assert_holds, simulated

from legtest.errors import NotRun, UsageError
from legtest.kinematics import actuators_of_joints, foot_of_joints, joints_of_foot
from legtest.metrology.verdict import Word
from legtest.procedures import (
    breakaway,
    compliance,
    heights,
    known_load,
    passes,
    positioning,
    slow_sweep,
    stribeck,
    torque_constant,
)
from legtest.records.recorded import Recorded

T = PERIOD_NS * 1e-9
G = 9.80665
KEPT = LEG.joint("hip").drive.stiffness_Nm_per_rad


def _hip(angle: np.ndarray, torque: np.ndarray, **more: Any) -> dict[str, Any]:
    """Samples with the hip at these joint angles, the other joints hanging: the belt's motor turns along."""
    joints = np.zeros((len(angle), 3))
    joints[:, 1] = angle
    positions = actuators_of_joints(LEG, joints)
    columns = {f"{name}.position": positions[:, i] for i, name in enumerate(LEG.joint_names)}
    zero = np.zeros(len(angle))
    other = {f"{name}.torque": zero for name in ("abduction", "knee")}
    return {**columns, **other, "hip.torque": torque, **{f"hip.{name}": values for name, values in more.items()}}


def _one(recorded: Recorded, procedure: Any, quantity: str) -> Any:
    return next(m for m in procedure.evaluate(recorded) if m.quantity == quantity)


# ------------------------------------------------------------------ paths
@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), st.floats(0.05, 1.0))
def test_a_pass_is_at_its_speed_and_never_faster(start: float, end: float, speed: float) -> None:
    assume(abs(end - start) > 0.02)
    path = passes.constant_speed(start, end, speed, T)
    rates = np.diff(path) / T
    assert (path[0], path[-1]) == pytest.approx((start, end))
    assert np.abs(rates).max() <= speed * 1.03
    assert abs(rates[0]) < 0.1 * speed + 1e-9


@pytest.mark.parametrize("joint", LEG.joints, ids=lambda joint: joint.name)
def test_the_arc_of_a_known_load_is_loaded_to_both_sides_and_inside(joint: Any) -> None:
    low, high = known_load.span(LEG, joint)
    assert joint.limits_rad[0] < low < 0 < high < joint.limits_rad[1]


# ------------------------------------------------------------------ breakaway
def _let_go(way: int, weight: float, friction: float) -> dict[str, Any]:
    """A torque that grows by 0.15 N*m/s across the friction band; from its edge on the joint moves as the cube."""
    t = np.arange(round((2 * friction / 0.15 + 0.2) / T)) * T
    torque = weight - way * friction + way * 0.15 * t
    since = np.maximum(t - 2 * friction / 0.15, 0.0)
    moved_rad = np.minimum(1.2 * since**3, 0.05)
    return _hip(0.2 + way * moved_rad, torque)


def test_breakaway_of_a_cubic_start_is_exact() -> None:
    spans = []
    for weight, friction in ((0.9, 0.30), (0.0, 0.34), (-1.4, 0.26)):
        spans += [("rise", _let_go(1, weight, friction)), ("sink", _let_go(-1, weight, friction))]
    m = _one(moved(spans, {"angles": 3, "repeats": 1}, "hip"), breakaway, "breakaway_friction")
    assert m.value == pytest.approx(0.30, abs=1e-3)
    assert m.covariates["spread_over_angle"] == pytest.approx(0.08 / 0.30, abs=0.01)
    assert m.u >= sqrt((0.05 * 0.3) ** 2 + (0.04 / sqrt(3)) ** 2) * 0.99  # torque scale; scatter of three angles


def test_a_joint_that_never_lets_go_is_no_measurement() -> None:
    stuck = _hip(np.full(200, 0.2), np.linspace(0, 1.5, 200))
    m = _one(moved([("rise", stuck), ("sink", stuck)] * 3, {"angles": 3}, "hip"), breakaway, "breakaway_friction")
    assert "did not let go within 1.5 N*m" in m.invalid


# ------------------------------------------------------------------ slow sweep
def _sweep(friction_up: float, friction_down: float, zero: float, ripples: dict[int, float]) -> Recorded:
    angle = np.arange(-1.0, 1.4, 0.2 * T)
    weight = 1.1 * np.sin(angle) - 0.1 * np.cos(angle)
    ripple = sum(a * np.cos(order * angle + 0.4) for order, a in ripples.items())
    noise = np.random.default_rng(4).normal(0, 0.01, (3, len(angle)))
    up = _hip(angle, weight + ripple + friction_up + zero + noise[0], torque_cap=np.full(len(angle), 18.0))
    down = _hip(angle, weight + ripple - friction_down + zero + noise[1], torque_cap=np.full(len(angle), 18.0))
    off = _hip(np.zeros(400), zero + noise[2, :400], torque_cap=np.full(400, np.nan))
    return moved([("off", off), ("up", up), ("down", {k: v[::-1] for k, v in down.items()})], {"passes": 1}, "hip")


def test_asymmetry_and_ripple_are_told_apart_from_weight_and_zero() -> None:
    recorded = _sweep(0.25, 0.20, 0.04, {9: 0.03, 54: 0.02})
    asymmetry = _one(recorded, slow_sweep, "friction_asymmetry")
    assert asymmetry.value == pytest.approx(0.025 / 0.225, abs=3 * asymmetry.u)
    assert asymmetry.u < 0.02
    assert asymmetry.covariates["torque_zero_Nm"] == pytest.approx(0.04, abs=0.002)
    ripple, strongest = _one(recorded, slow_sweep, "torque_ripple"), _one(recorded, slow_sweep, "ripple_order")
    assert ripple.value == pytest.approx(sqrt((0.03**2 + 0.02**2) / 2), rel=0.03)
    assert strongest.value == pytest.approx(0.03, rel=0.04)
    assert strongest.covariates["order_per_turn"] == 9.0
    assert strongest.covariates["second_order_per_turn"] == 54.0


# ------------------------------------------------------------------ Stribeck
def test_stribeck_part_of_made_up_friction() -> None:
    spans, speeds = [], stribeck.SPEEDS_RAD_S
    for speed in speeds:
        angle = np.linspace(-0.08, 0.08, 4 * stribeck.BINS * 12)
        friction = 0.2 + 0.05 * np.exp(-((speed / 0.05) ** 2)) + 0.04 * speed
        spans.append((f"{speed:g} up", _hip(angle, np.sin(angle) + friction)))
        spans.append((f"{speed:g} down", _hip(angle, np.sin(angle) - friction)))
    m = _one(moved(spans, {"speeds_rad_s": list(speeds), "centre_rad": 0.0}, "hip"), stribeck, "stribeck_friction")
    assert m.value == pytest.approx(0.05, abs=1e-4)
    assert m.covariates["coulomb_Nm"] == pytest.approx(0.2, abs=1e-4)
    assert m.covariates["stribeck_speed_rad_s"] == pytest.approx(0.05, rel=0.01)


# ------------------------------------------------------------------ known load
def _load(angle: np.ndarray, mass: float) -> np.ndarray:
    """By hand: the hip's motor turns the thigh alone, the belt keeps the shank's direction: m g thigh sin(angle)."""
    return mass * G * LEG.geometry.thigh_m * np.sin(angle)


def _behind(angle: np.ndarray, mass: float) -> np.ndarray:
    """Where the thigh is when the motor is at an angle: play and wind-up of its transmission, twice inserted."""
    thigh = angle
    for _ in range(2):
        load = _load(thigh, mass)
        thigh = angle - known_load.PLAY_RAD * np.sign(load) - known_load.WIND_RAD_PER_NM * load
    return thigh


def test_the_load_of_the_hip_is_that_of_the_thigh_alone() -> None:
    angle = np.linspace(-1.0, 1.0, 9)
    recorded = moved([("x", _hip(angle, angle))], {"mass_kg": 1.3}, "hip")
    poses = np.stack([0 * angle, angle, 0 * angle], axis=1)
    assert known_load.loads(recorded, poses, wound=0.0) == pytest.approx(_load(angle, 1.3), abs=1e-12)
    # The belt's motor hangs behind as well, which tilts the shank and not the thigh.
    assert known_load.loads(recorded, poses) == pytest.approx(_load(_behind(angle, 1.3), 1.3), abs=2e-4)


def test_torque_constant_saturation_and_load_friction_are_found() -> None:
    """A motor that gives c i (1 - s |i| / rated) for what the drive reads, friction 0.2 N*m + 2 % of the load."""
    angle, constant, saturation, rated = np.arange(-1.05, 1.05, 0.2 * T), 0.97, 0.05, 6.0
    load = _load(_behind(angle, 1.0), 1.0)
    current = load / constant
    for _ in range(30):  # the inverse of the law, by substitution
        current = load / constant / (1 - saturation * np.abs(current) / rated)
    spans = []
    rubs = 0.2 + 0.02 * np.abs(current)
    for word, torque, friction in (("empty", 0 * load, 0.2 + 0 * load), ("mass", current, rubs)):
        spans += [(f"{word} up", _hip(angle, 0.05 + torque + friction))]
        spans += [(f"{word} down", _hip(angle, 0.05 + torque - friction))]
    recorded = moved(spans, {"passes": 1, "mass_kg": 1.0, "mass_u_kg": 0.002}, "hip")
    found = {m.quantity: m for m in torque_constant.evaluate(recorded)}
    assert found["torque_constant_ratio"].value == pytest.approx(constant, abs=2e-3)
    assert found["torque_saturation"].value == pytest.approx(saturation, abs=6e-3)
    assert found["load_friction"].value == pytest.approx(0.02, abs=1e-4)
    assert {m.reference for m in (found["torque_constant_ratio"], found["torque_saturation"])} == {"external"}


LEVELS = np.linspace(-0.9, 0.9, 6)
COMPLIANCE = {"levels_rad": LEVELS.tolist(), "mass_kg": 1.0, "mass_u_kg": 0.002}


def _passes(word: str, angles: np.ndarray, mass: float, stiffness: float, friction: float) -> list[Any]:
    """A pass both ways through each angle; the joint runs behind its set-point by load and friction."""
    spans = []
    for level in angles:
        for way, label in ((1, "up"), (-1, "down")):
            position = level + way * np.linspace(-0.09, 0.09, 301)
            torque = (_load(_behind(position, mass), mass) if mass else 0 * position) + way * friction
            spans.append((f"{word} {label}", _hip(position, torque, setpoint=position + torque / stiffness)))
    return spans


def _swing(damping: float) -> dict[str, Any]:
    """The drive's law with K = 150 and this damping, sampled where a new velocity comes with every fifth row."""
    n, w = np.arange(1000), 2 * pi * 7
    demand, position = 0.02 * np.sin(w * n * T), 0.018 * np.sin(w * n * T - 0.4)
    velocity = 0.018 * w * np.cos(w * n * T - 0.4)
    rate = np.concatenate([[0.0], np.diff(demand)]) / T
    # As read: the torque is a quarter of a millisecond old on the average, which takes K * 0.25 ms off the damping.
    torque = KEPT * (demand - position) + (damping - KEPT * compliance.AGE_S / 2) * (rate - velocity)
    kept = velocity[n // 5 * 5]
    return _hip(position, torque, setpoint=demand, velocity=kept)


def test_rendered_stiffness_and_damping_are_found_in_spite_of_friction_and_weight() -> None:
    spans: list[Any] = []
    for word, mass in (("before", 0.0), ("mass", 1.0), ("after", 0.0)):
        spans += _passes(word, LEVELS, mass, 140.0, 0.2)
    recorded = moved([*spans, ("swing", _swing(2.2))], COMPLIANCE, "hip")
    found = {m.quantity: m for m in compliance.evaluate(recorded)}
    stiffness, damping = found["rendered_stiffness_ratio"], found["rendered_damping_ratio"]
    assert stiffness.value == pytest.approx(140.0 / 150.0, rel=2e-3)
    assert stiffness.covariates["hysteresis_rad"] == pytest.approx(2 * 0.2 / 140.0, rel=0.01)
    assert damping.value == pytest.approx(2.2 / 2.5, rel=3e-3)


def test_a_drive_without_velocity_has_no_damping_to_be_measured() -> None:
    spans: list[Any] = []
    for word, mass in (("before", 0.0), ("mass", 1.0), ("after", 0.0)):
        spans += _passes(word, LEVELS, mass, 150.0, 0.2)
    still = {**_swing(2.5), "hip.velocity": np.zeros(1000)}
    recorded = moved([*spans, ("swing", still)], COMPLIANCE, "hip")
    assert "sends no velocity" in _one(recorded, compliance, "rendered_damping_ratio").invalid


# ------------------------------------------------------------------ positioning
def test_reversal_value_of_made_up_stops() -> None:
    """Below by 1 mrad, above by 0.6 mrad; 0.1 mrad more at the last position; R = 2 (s_up + s_down) + reversal."""
    targets, runs, spans = np.array([-0.5, 0.0, 0.7]), 4, []
    for run in range(runs):
        wobble = 1e-4 * (-1) ** run
        for way, label in ((1, "up"), (-1, "down")):
            for target in targets[::way]:
                off = (-1e-3 if way > 0 else 6e-4) - way * (1e-4 if target > 0.5 else 0.0)
                stop = np.full(40, target + off + wobble)
                spans.append((label, _hip(stop, 0 * stop)))
    recorded = moved(spans, {"targets_rad": targets.tolist(), "runs": runs}, "hip")
    assert _one(recorded, positioning, "reversal_value").value == pytest.approx(1.8e-3, rel=1e-9)
    s = 1e-4 * sqrt(4 / 3)
    assert _one(recorded, positioning, "positioning_repeatability").value == pytest.approx(1.8e-3 + 4 * s, rel=1e-6)


# ------------------------------------------------------------------ kinematics
def _pressed(number: int) -> dict[str, Any]:
    """A joint at its home stop while the torque of its motor rises: it winds up by 1.3 mrad/(N*m) for each motor."""
    joint, n = LEG.joints[number], 150
    side = -1 if joint.home.stop == "low" else 1
    torque = side * joint.home.torque_Nm * np.minimum(np.linspace(0.7, 1.15, n), 1.0)
    joints = np.zeros((n, 3))
    stop = joint.travel_rad[0 if side < 0 else 1]
    joints[:, number] = stop + 1.3e-3 * float(np.sum(np.square(LEG.coupling[number]))) * torque
    positions = actuators_of_joints(LEG, joints)
    columns: dict[str, Any] = {f"{name}.position": positions[:, i] for i, name in enumerate(LEG.joint_names)}
    for i, name in enumerate(LEG.joint_names):
        columns[f"{name}.torque"] = torque if i == number else np.zeros(n)
        columns[f"{name}.torque_cap"] = np.full(n, 18.0) if i != number else np.abs(torque)
    return columns


def _height_spans(thigh_m: float, shank_m: float, gauge_u: float, torques: np.ndarray) -> Recorded:
    spans = [("press", _pressed(number)) for number in range(3)]
    rng, taken, length = np.random.default_rng(8), [], LEG.geometry.thigh_m + LEG.geometry.shank_m
    coupling = np.asarray(LEG.coupling)
    for x in heights.COLUMNS:
        for share in heights.HEIGHTS:
            true = joints_of_foot(LEG, [x * length, LEG.geometry.hip_offset_m, -share * length])
            read = true + 1.3e-3 * coupling @ torques  # the motors lead by what is wound up
            positions = actuators_of_joints(LEG, read)
            spans.append(("height", {
                **{f"{n}.position": np.full(30, positions[i]) for i, n in enumerate(LEG.joint_names)},
                **{f"{n}.torque": np.full(30, torques[i]) for i, n in enumerate(LEG.joint_names)},
            }))  # fmt: skip
            _, hip, knee = true
            more = thigh_m * np.cos(hip) + shank_m * np.cos(hip + knee)
            height = LEG.geometry.foot_radius_m - foot_of_joints(LEG, true)[2] + more
            height += rng.normal(0, gauge_u / sqrt(2))
            taken.append({
                "quantity": "rail_height", "value": float(height), "u": gauge_u, "name": "gauge", "calibration": "",
                "joint": "", "t_ns": 0,
            })  # fmt: skip
    return moved(spans, {"heights": 4, "readings": taken})


def test_lengths_are_found_from_heights() -> None:
    """A shank 4 mm too long and a thigh 2 mm too short, the transmissions wound up by the load."""
    recorded = _height_spans(-2e-3, 4e-3, 1e-4, np.array([0.6, -2.0, 2.5]))
    found = {m.quantity: m for m in heights.evaluate(recorded)}
    assert_holds(found["thigh_error"], -2e-3)
    assert_holds(found["shank_error"], 4e-3)
    assert found["shank_error"].u < 0.6e-3
    assert found["kinematic_residual"].value > 1e-3


def test_a_leg_file_without_the_foots_radius_gives_no_lengths() -> None:
    recorded = _height_spans(0.0, 0.0, 1e-4, np.zeros(3))
    recorded.leg = replace(recorded.leg, geometry=replace(recorded.leg.geometry, foot_radius_m=0.0))
    assert [m.quantity for m in heights.evaluate(recorded)] == ["kinematic_residual"]


def test_without_a_height_gauge_kinematics_is_not_run() -> None:
    it = simulated("tarn-hopper", 3)
    it.bench.description = replace(it.bench.description, instruments=())
    with pytest.raises(NotRun, match="needs an instrument for rail_height"):
        it.run(heights.DECLARATION)
    assert it.bench.prechecks == []  # nobody was asked to move the leg for nothing


@pytest.mark.parametrize(
    ("procedure", "arguments", "said"),
    [
        (breakaway, {"angles": 2}, "breakaway: angles=2: at least 3"),
        (slow_sweep, {"passes": 0}, "slow sweep: passes=0: at least 1"),
        (stribeck, {"speeds_rad_s": (0.1, 0.2)}, "number of speeds=2: at least 6"),
        (torque_constant, {"passes": 0}, "torque constant: passes=0: at least 1"),
        (compliance, {"levels": 3}, "rendered compliance: levels=3: at least 4"),
        (positioning, {"runs": 1}, "two-directional positioning: runs=1: at least 2"),
    ],
)
def test_too_few_repeats(procedure: Any, arguments: dict[str, Any], said: str) -> None:
    it = simulated("tarn-hopper", 3)
    with pytest.raises(UsageError, match=said):
        it.run(procedure.DECLARATION, "knee", **arguments)


# ------------------------------------------------------------------ sound legs
SOUND = [
    (breakaway, "tarn-fl", "hip"),
    (breakaway, "tarn-hopper", "knee"),
    (slow_sweep, "tarn-fl", "knee"),
    (slow_sweep, "tarn-hopper", "hip"),
    (stribeck, "tarn-fl", "knee"),
    (torque_constant, "tarn-fl", "abduction"),
    (torque_constant, "tarn-hopper", "hip"),
    (compliance, "tarn-fl", "knee"),
    (compliance, "tarn-hopper", "knee"),
    (positioning, "tarn-fl", "hip"),
    (heights, "tarn-fl", None),
    (heights, "tarn-hopper", None),
]

UNTOLD = {"reversal_value", "positioning_repeatability", "kinematic_residual"}  # the parts alone do not say


@pytest.mark.slow
@pytest.mark.parametrize(("procedure", "leg", "joint"), SOUND, ids=lambda x: getattr(x, "__name__", str(x)))
def test_a_sound_leg_is_measured_as_it_is_and_passes(procedure: Any, leg: str, joint: str | None) -> None:
    it = simulated(leg, 7)
    found = it.run(procedure.DECLARATION, joint)
    assert {m.quantity for m in found.values()} == set(procedure.DECLARATION.quantities)
    for m in found.values():
        if m.quantity not in UNTOLD:
            assert_holds(m, it.truth(m))
        assert it.verdict(m) is Word.PASS, f"{m.quantity} {m.value:g} u {m.u:g}"
    assert it.bench.stopped is None
