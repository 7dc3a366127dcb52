"""Dynamics and the stand: evaluations on samples with a known answer, and every procedure on a simulated leg."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from made_up import LEG, moved
from simulated import Simulated, assert_holds, simulated

from legtest.errors import NotRun, UsageError
from legtest.metrology.measurement import Measurement
from legtest.metrology.spectra import sines_fit
from legtest.metrology.verdict import Word
from legtest.procedures import cross_coupling, drop, frequency, identification, stand, stand_mode, step
from legtest.study.motions import of_motion

PERIOD_S, SEED = 0.004, 7


def columns(joint: str, setpoint: np.ndarray, position: np.ndarray, **more: np.ndarray) -> dict[str, np.ndarray]:
    """A joint that moves alone, the others at zero; motors turn as the coupling says (knee motor = knee + hip)."""
    found: dict[str, np.ndarray] = {}
    inverse = np.linalg.inv(np.array(LEG.coupling))
    for axis, name in enumerate(LEG.joint_names):
        c = inverse[axis, LEG.joint_names.index(joint)]
        found |= {f"{name}.setpoint": c * setpoint, f"{name}.position": c * position, f"{name}.torque": 0 * setpoint}
    return found | more


def truth_of(it: Simulated, m: Measurement) -> float:
    true = of_motion(it.rig.plant, it.leg, m.quantity, m.subject)
    assert true is not None
    return true


# ---------------------------------------------------------------- known answers
def test_step_figures_of_a_known_loop() -> None:
    """Second order, damping 0.5, 60 rad/s: 16.3 % overshoot; rise 1.6376 / w, settling 8.0763 / w (exact values)."""
    w, rng, spans = 60.0, np.random.default_rng(1), []
    for name, size in step.SIZES_RAD.items():
        t = (np.arange(112) - 8) * PERIOD_S
        wd = w * np.sqrt(0.75)
        y = np.where(t > 0, 1 - np.exp(-w * t / 2) * (np.cos(wd * t) + np.sin(wd * t) / np.sqrt(3)), 0.0)
        for _ in range(8):
            for way, sign in (("up", 1), ("down", -1)):
                noise = rng.normal(0, 5e-5, len(t))
                asked = np.where(t > 0, size, 0.0)
                spans.append((f"{name} {way}", columns("hip", sign * asked, sign * size * y + noise)))
    found = {m.quantity: m for m in step.evaluate(moved(spans, {"speed_rad_s": 2.5}, "hip"))}
    for prefix in ("step", "large_step"):
        for figure, true in (("rise", 1.63757295 / w), ("overshoot", 0.163033535), ("settling", 8.07634897 / w)):
            assert_holds(found[f"{prefix}_{figure}"], true)
    assert found["large_step_overshoot"].u < 0.01


def test_frequency_figures_of_a_dead_time() -> None:
    """5 ms of dead time: no change of gain, 18 deg at 10 Hz, 90 deg at 50 Hz."""
    rng, spans = np.random.default_rng(2), []
    for name, peak in frequency.SPEEDS_RAD_S.items():
        asked = np.concatenate([np.zeros(5), frequency.excitation(PERIOD_S, peak)])
        asked[:5] = asked[5]
        lines = frequency.lines_of(PERIOD_S)
        turns = np.arange(250) / 250
        U = sines_fit(turns, asked[5:255], lines)
        late = np.exp(-2j * np.pi * lines / frequency.BASE_S * 0.005)
        one = (np.exp(2j * np.pi * np.outer(turns, lines)) @ (U * late)).real + asked[5:255].mean()
        position = np.concatenate([asked[:5], np.tile(one, frequency.PERIODS + frequency.RUN_IN)])
        spans.append((name, columns("hip", asked, position + rng.normal(0, 7e-5, len(asked)))))
    found = {m.quantity: m for m in frequency.evaluate(moved(spans, {"stand_hz": None}, "hip"))}
    for prefix in ("", "small_"):
        assert_holds(found[f"{prefix}phase_lag"], np.radians(18))
        assert found[f"{prefix}phase_bandwidth"].value == pytest.approx(50.0, rel=0.02)
        assert "no usable crossing" in found[f"{prefix}bandwidth"].invalid
    near = {m.quantity: m for m in frequency.evaluate(moved(spans, {"stand_hz": 10.0}, "hip"))}
    assert "the lines around 10 Hz cannot be used" in near["phase_lag"].invalid


def test_coupling_of_a_neighbour_that_gives_way_by_two_percent() -> None:
    offsets = np.concatenate([np.zeros(5), cross_coupling.bump(PERIOD_S)])
    noise = np.random.default_rng(3).normal(0, 3e-5, (6, len(offsets)))
    spans = []
    for each in noise:
        made = columns("knee", offsets, offsets)
        made["abduction.position"] = 0.02 * offsets + each
        spans.append(("bump", made))
    (m,) = cross_coupling.evaluate(moved(spans, {}, "knee"))
    assert_holds(m, 0.02)
    assert m.covariates["abduction_rad"] == pytest.approx(0.02 * cross_coupling.SIZE_RAD, rel=0.02)


def test_a_spring_behind_a_spring() -> None:
    assert stand.without_stand(1 / (1 / 2700 + 1 / 20e3), 20e3) == pytest.approx(2700)
    assert stand.without_stand(1 / (1 / 2700 + 1 / 10e3), 10e3) == pytest.approx(2700)


def test_a_landing_of_known_shape() -> None:
    """In the air 300 mm, down to 290, up to 297, at rest at 295."""
    length = np.concatenate([np.linspace(300, 290, 20), np.linspace(290, 297, 20), np.linspace(297, 295, 10),
                             np.full(70, 295.0)]) * 1e-3  # fmt: skip
    found = drop.landing(length, 0.300, 60)
    assert (found.compression_m, found.rebound, found.settled_m) == pytest.approx((0.010, 0.2, 0.295))


def test_a_path_stays_inside_its_bounds_and_tells_the_parameters_apart() -> None:
    for label in identification.PERIODS:
        q = identification.path(LEG, PERIOD_S, label)
        speed = np.diff(q, axis=0, append=q[:1]) / PERIOD_S
        assert np.abs(speed).max() <= identification.PEAK_RAD_S * (1 + 1e-9)
        for joint, column in zip(LEG.joints, q.T, strict=True):
            assert joint.limits_rad[0] < column.min() < column.max() < joint.limits_rad[1]
        assert identification._condition(LEG, q, identification._kept(LEG)) < 1000
    one, other = (identification.path(LEG, PERIOD_S, label) for label in identification.PERIODS)
    assert np.abs(one - other).max() > 0.2


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda b, j: step.run(b, j, repeats=3), "repeats=3: at least 4"),
        (lambda b, j: frequency.run(b, j, stand_hz=0.0), r"stand_hz=0\.0: a frequency above 0"),
        (lambda b, j: cross_coupling.run(b, j, repeats=2), "repeats=2: at least 3"),
        (lambda b, j: drop.run(b, drop_m=0.1), r"drop: drop_m=0\.1: above 0 and up to 0\.00"),
        (lambda b, j: stand_mode.run(b, repeats=1), "repeats=1: at least 2"),
    ],
)
def test_bad_arguments(call: Any, said: str) -> None:
    it = simulated("tarn-hopper", SEED)
    with pytest.raises(UsageError, match=said):
        call(it.bench, it.leg.joint("knee"))
    assert it.bench.prechecks == []


def test_without_a_reading_from_outside_nothing_moves() -> None:
    it = simulated("tarn-hopper", SEED)
    it.bench.description = replace(it.bench.description, instruments=())
    for procedure in (stand, drop):
        with pytest.raises(NotRun, match="needs an instrument for"):
            procedure.run(it.bench)
    assert it.bench.stopped is None


# ---------------------------------------------------------------- simulated legs
CASES: list[tuple[Any, str, str | None]] = [
    (step, "tarn-fl", "hip"), (frequency, "tarn-fl", "knee"), (cross_coupling, "tarn-fl", "hip"),
    (step, "tarn-hopper", "knee"), (identification, "tarn-fl", None), (stand_mode, "tarn-fl", None),
    (stand, "tarn-fl", None), (drop, "tarn-fl", None), (stand_mode, "tarn-hopper", None), (drop, "tarn-hopper", None),
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("procedure", "leg", "joint"), CASES, ids=lambda x: getattr(x, "__name__", str(x)))
def test_a_healthy_leg_is_what_its_parts_are(procedure: Any, leg: str, joint: str | None) -> None:
    it = simulated(leg, SEED)
    for m in it.run(procedure.DECLARATION, joint).values():
        if m.quantity == "home_shift":
            assert_holds(m, 0.0)
        elif m.quantity != "prediction_error":
            assert_holds(m, truth_of(it, m))
        assert it.verdict(m) in (Word.PASS, Word.NO_LIMIT), f"{m.quantity} {m.value} {m.u}"


# fault -> procedure, joint, the quantity that must fail
NOTICED: list[tuple[str, Any, str | None, str]] = [
    ("wrong-gains", frequency, "hip", "bandwidth"),
    ("old-readings", frequency, "hip", "phase_lag"),
    ("loop-damping@hip", step, "hip", "large_step_overshoot"),
    ("heavy-shank", identification, None, "gravity_moment hip"),
    ("loose-stand", stand_mode, None, "stand_frequency"),
    ("loose-stand", stand, None, "stand_stiffness"),
    ("wrong-gains@knee=0.3", drop, None, "landing_compression"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "procedure", "joint", "quantity"), NOTICED)
def test_a_fault_is_noticed(fault: str, procedure: Any, joint: str | None, quantity: str) -> None:
    it = simulated("tarn-fl", 11, fault)
    found = it.run(procedure.DECLARATION, joint)
    m = found[quantity]
    assert it.verdict(m) is Word.FAIL, f"{m.value:g}, u {m.u:g}"
    if fault == "loose-stand" and procedure is stand:  # on a stand twice as soft the foot is as stiff as before
        foot = found["foot_stiffness"]
        assert_holds(foot, truth_of(it, foot))
        assert it.verdict(foot) is Word.PASS
