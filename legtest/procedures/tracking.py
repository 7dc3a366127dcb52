"""Foot trajectory tracking: the foot runs an ellipse; the error is split into delay, gain and what is left."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription, LegDescription
from legtest.description.setup import SetUp
from legtest.kinematics import foot_of_joints, joints_of_foot
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.positioning import path_accuracy, path_repeatability
from legtest.metrology.signals import Tracking, track
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.home_shift import home_shifts, touch_all
from legtest.procedures.step import READING_AGE_S
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

CYCLES, FREQUENCY_HZ = 8, 1.0
STRIDE_SHARE, LIFT_SHARE, HEIGHT_SHARE = 0.11, 0.11, 0.83  # of the straight leg: half stride, lift, hip height
POINTS = 60  # of one cycle, for path accuracy and repeatability
FRICTION_LEFT_RAD = 5e-4  # half width of what friction, left otherwise before, changes of where a joint is held
LENGTH_U = 1e-3  # relative standard uncertainty of the foot's place from the drawing's lengths


def ellipse(leg: LegDescription, period_s: float, cycles: int, frequency_hz: float) -> FloatArray:
    """Joint angles (rows, joints), rad: a lifted ellipse of the foot below the hip, begun and ended at rest."""
    length = leg.geometry.thigh_m + leg.geometry.shank_m
    total_s = (cycles + 2) / frequency_hz
    t = np.arange(0.0, total_s + period_s / 2, period_s)
    edge = 1.0 / frequency_hz  # one cycle to reach full speed, one to come to rest
    rate = np.clip(np.minimum(t / edge, (total_s - t) / edge), 0.0, 1.0)
    phase = 2 * np.pi * frequency_hz * np.cumsum(rate) * period_s
    foot = np.empty((len(t), 3))
    foot[:, 0] = STRIDE_SHARE * length * np.cos(phase)
    foot[:, 1] = leg.geometry.hip_offset_m
    foot[:, 2] = -HEIGHT_SHARE * length + LIFT_SHARE * length * np.sin(phase) / 2
    return joints_of_foot(leg, foot)


def move(bench: Bench, cycles: int = CYCLES, frequency_hz: float = FREQUENCY_HZ) -> Recorded:
    """Touch every home stop, run the ellipse, touch every home stop again."""
    at_least(DECLARATION.name, "cycles", cycles, 4)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    rows = ellipse(bench.leg, bench.period_ns * 1e-9, cycles, frequency_hz)
    arguments = {"cycles": cycles, "frequency_hz": frequency_hz}
    with bench.recording(DECLARATION.name, None, DECLARATION.method, **arguments) as recording, bench.energised():
        touch_all(bench)
        bench.move_to(rows[0])
        bench.wait(0.2)
        bench.follow(rows, label="path")
        touch_all(bench)
    return taken(recording.result)


class _Path(NamedTuple):
    """The path part of a record: seconds, commanded and actual joint angles (rows, joints) and foot (rows, 3)."""

    t_s: FloatArray
    command_rad: FloatArray
    actual_rad: FloatArray
    command_m: FloatArray
    actual_m: FloatArray


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Delay, gain and residual of the foot; path accuracy and repeatability; peak error, home shift of every joint."""
    path = _path(recorded)
    try:
        split = track(path.t_s, path.command_m, path.actual_m, most_delay_s=0.1)
    except ValueError as error:
        return _untracked(str(error))
    return (
        *_split(recorded, path, split),
        *_iso9283(recorded, path),
        *(_peak(recorded, path, joint) for joint in recorded.leg.joints),
        *home_shifts(recorded),
        _loss(recorded),
    )


def _path(recorded: Recorded) -> _Path:
    trace = recorded.trace("path")
    command, actual = recorded.joints(trace, "setpoint"), recorded.joints(trace, "position")
    good = np.isfinite(command).all(axis=1) & np.isfinite(actual).all(axis=1)
    command, actual = command[good], actual[good]
    leg = recorded.leg
    return _Path(trace.time_s[good], command, actual, foot_of_joints(leg, command), foot_of_joints(leg, actual))


def _untracked(reason: str) -> tuple[Measurement, ...]:
    names = ("path_residual", "path_delay", "path_gain_error")
    return tuple(measurement(name, "foot", np.nan, (), reference="internal", invalid=reason) for name in names)


def _split(recorded: Recorded, path: _Path, split: Tracking) -> tuple[Measurement, ...]:
    timing = recorded.timing
    # SYNC is the clock of the samples; how late it came is how far the time of a sample may be off.
    clock = BudgetLine("host timing", (timing.lateness_p99_ns * 1e-9) / sqrt(3))
    step_m = _resolution_m(recorded)
    # Resampling between rows: half of what one period would change a period later, rectangular.
    rows = BudgetLine("sampling of the path", 0.02 * timing.period_ns * 1e-9 / sqrt(3))
    spread = split.residual_rms / sqrt(2 * split.dof)
    late = f"{timing.missed} control cycles were left out" if timing.missed > 0.001 * timing.cycles else ""
    return (
        measurement("path_residual", "foot", split.residual_rms, (
            BudgetLine("scatter of the residual", spread, split.dof, "A"),
            BudgetLine("lengths of the drawing", LENGTH_U * split.residual_rms, systematic=True),
            BudgetLine("encoder resolution", step_m / sqrt(12)),
        ), reference="internal", invalid=late),
        measurement("path_delay", "foot", split.delay_s, (
            BudgetLine("fit of the path", split.u_delay_s, split.dof, "A"), clock, rows,
            BudgetLine("age of a reading", READING_AGE_S / sqrt(3), systematic=True),
        ), reference="internal", invalid=late),
        measurement("path_gain_error", "foot", split.gain - 1.0, (
            BudgetLine("fit of the path", split.u_gain, split.dof, "A"),
            BudgetLine("encoder resolution", step_m / sqrt(12) / float(np.ptp(path.command_m))),
        ), reference="internal", invalid=late),
    )  # fmt: skip


def _iso9283(recorded: Recorded, path: _Path) -> tuple[Measurement, ...]:
    """AT and RT (ISO 9283:1998, 8.2 and 8.3) over the full cycles, each at POINTS places of the path."""
    frequency, cycles = recorded.arguments["frequency_hz"], recorded.arguments["cycles"]
    count = cycles - 1
    actual, command = cycles_of(path.t_s, path.actual_m, path.command_m, cycles, frequency)
    accuracy, repeatability = path_accuracy(actual, command), path_repeatability(actual)
    step = BudgetLine("encoder resolution", _resolution_m(recorded) / sqrt(12))
    lengths = BudgetLine("lengths of the drawing", LENGTH_U * float(accuracy), systematic=True)
    speed = float(np.nanmax(np.linalg.norm(np.gradient(path.command_m, path.t_s, axis=0), axis=1)))
    age = BudgetLine("age of a reading", speed * READING_AGE_S / sqrt(3), systematic=True)
    # The largest spread of many places is the noise's, up to three standard deviations; from second differences.
    noise = float(np.linalg.norm(np.std(np.diff(path.actual_m, 2, axis=0), axis=0))) / sqrt(6)
    lifted = BudgetLine("noise of the readings, largest of many places", 3 * noise / sqrt(3))
    scatter = float(repeatability.value) / 3
    covariates = {"cycles": float(count)}
    return (
        measurement(
            "path_accuracy", "foot", float(accuracy),
            (BudgetLine("scatter of the cycles", scatter / sqrt(count), count - 1, "A"), lengths, step, age),
            reference="internal", covariates=covariates,
        ),
        measurement(
            "path_repeatability", "foot", float(repeatability.value),
            (BudgetLine("number of cycles", repeatability.u, count - 1, "A"), step, lifted),
            reference="internal", covariates=covariates,
        ),
    )  # fmt: skip


def cycles_of(
    t_s: FloatArray, actual_m: FloatArray, command_m: FloatArray, cycles: int, frequency_hz: float
) -> tuple[FloatArray, FloatArray]:
    """The full cycles of a path at POINTS places: attained (cycles - 1, POINTS, 3) and commanded (POINTS, 3)."""
    begin = t_s[0] + 1.5 / frequency_hz  # past the run-up, on a whole number of cycles from there
    when = begin + (np.arange(cycles - 1)[:, None] + np.arange(POINTS) / POINTS) / frequency_hz
    attained = np.stack([np.interp(when, t_s, actual_m[:, axis]) for axis in range(3)], axis=-1)
    command = np.stack([np.interp(when[0], t_s, command_m[:, axis]) for axis in range(3)], axis=-1)
    return attained, command


def _peak(recorded: Recorded, path: _Path, joint: JointDescription) -> Measurement:
    index = recorded.leg.joint_names.index(joint.name)
    error = path.command_rad[:, index] - path.actual_rad[:, index]
    peak = float(np.abs(error).max())
    speed = float(np.abs(np.gradient(path.command_rad[:, index], path.t_s)).max())
    # One sample decides a peak: how far its neighbours in rank differ is how well it is known.
    near = float(np.sort(np.abs(error))[-10:].std(ddof=1))
    # The noise of a reading lifts the largest of many, by up to three standard deviations; from second differences.
    noise = float(np.std(np.diff(error, 2))) / sqrt(6)
    budget = (
        BudgetLine("largest of many samples", near, 9, "A"),
        BudgetLine("noise of one reading", 3 * noise / sqrt(3)),
        BudgetLine("age of a reading", speed * READING_AGE_S / sqrt(3), systematic=True),
        BudgetLine("friction left by the motion before", FRICTION_LEFT_RAD / sqrt(3)),
        BudgetLine("encoder resolution", 2 * np.pi / joint.drive.counts_per_turn / sqrt(6)),
    )
    return measurement("following_error", joint.name, peak, budget, reference="internal")


def _loss(recorded: Recorded) -> Measurement:
    """Share of the expected telemetry that never came in time; u of a share of n by the rule of succession."""
    lost, expected = recorded.timing.lost, recorded.timing.expected
    smoothed = (lost + 1) / (expected + 2)
    budget = (BudgetLine("number of frames", sqrt(smoothed * (1 - smoothed) / (expected + 3)), evaluation="A"),)
    return measurement("telemetry_loss", "leg", lost / expected, budget, reference="internal")


def _resolution_m(recorded: Recorded) -> float:
    leg = recorded.leg
    step = max(2 * np.pi / joint.drive.counts_per_turn for joint in leg.joints)
    return float(step * (leg.geometry.thigh_m + leg.geometry.shank_m))


DECLARATION = Declaration(
    name="tracking",
    title="foot trajectory tracking",
    method="the foot runs an ellipse below the hip; commanded and actual path are split into delay, gain and residual",
    quantities=("path_residual", "path_delay", "path_gain_error", "path_accuracy", "path_repeatability",
                "following_error", "home_shift", "telemetry_loss"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, foot below the hip at 0.83 of the straight leg",
    reference="internal: the drives' encoders; home shift: the end stops",
    duration_s=55.0,
    move=move,
    evaluate=evaluate,
)  # fmt: skip


def run(bench: Bench, cycles: int = CYCLES, frequency_hz: float = FREQUENCY_HZ) -> tuple[Measurement, ...]:
    """Run the foot path and measure it; see DECLARATION.quantities."""
    return run_procedure(DECLARATION, bench, cycles=cycles, frequency_hz=frequency_hz)
