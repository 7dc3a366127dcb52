"""Commanded against rendered stiffness and damping of a joint's position loop, by a known load put on and taken off.

Stiffness: the joint passes slowly through several levels of load, both ways; the middle of the two ways has no friction
in it. (At rest it would have: what swings on after a stop shakes part of the friction out.) The line through load and
deflection is Theil-Sen's, which a few bad levels do not move.
Damping: the set-point swings a little; torque against the errors of position and speed is the drive's set-point law as
the drive believes it, and the known load says how far the drive's torque is from the truth.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import Fit, linear_fit, theil_sen
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing, known_load
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import binned, constant_speed, of_joint, signals, warmth
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

LEVELS = 6
HALF_RAD, WINDOW_RAD, SPEED_RAD_S = 0.10, 0.06, 0.15
SWING_RAD, SWING_HZ, SWINGS = 0.03, 9.0, 45
LEAST_ROWS, LEAST_RATE_RAD_S = 40, 0.02
JERK_SHARE = 0.04  # of the damping; a rotor of 0.008 kg*m^2 under 2.5 N*m*s/rad turns 8 % otherwise within 0.25 ms
AGE_S = 0.5e-3  # by which the reading of a torque may be older than that of the position beside it


def move(bench: Bench, joint: JointDescription, levels: int = LEVELS) -> Recorded:
    """Pass through every level both ways: without the mass, with it, and without it again; then swing."""
    at_least(DECLARATION.name, "levels", levels, 4)
    homing.ensure(bench)
    index = bench.leg.joint_names.index(joint.name)
    low, high = known_load.span(bench.leg, joint)
    angles = np.linspace(low + HALF_RAD, high - HALF_RAD, levels)
    pose = np.zeros(len(bench.leg.joints))
    arguments = {"levels_rad": angles.tolist(), **known_load.arguments(bench)}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording:
        for setup, word in ((SetUp.CLAMPED, "before"), (SetUp.MASS, "mass"), (SetUp.CLAMPED, "after")):
            bench.arrange(setup)
            with bench.energised():
                for angle in angles:
                    way = constant_speed(angle - HALF_RAD, angle + HALF_RAD, SPEED_RAD_S, bench.period_ns * 1e-9)
                    rows = of_joint(pose, index, way)
                    bench.move_to(rows[0])
                    bench.follow(rows, label=f"{word} up")
                    bench.follow(rows[::-1], label=f"{word} down")
                if word == "after":
                    _swing(bench, of_joint(pose, index, [angles[len(angles) // 2]])[0], index)
    return taken(recording.result)


def _swing(bench: Bench, pose: FloatArray, index: int) -> None:
    bench.move_to(pose)
    period_s = bench.period_ns * 1e-9
    t = np.arange(round(SWINGS / SWING_HZ / period_s)) * period_s
    envelope = np.clip(np.minimum(t, t[-1] - t) * SWING_HZ / 3, 0.0, 1.0)
    swing = SWING_RAD * envelope * np.sin(2 * np.pi * SWING_HZ * t)
    bench.follow(of_joint(pose, index, pose[index] + swing), label="swing")


class _Levels(NamedTuple):
    """By level: load of the mass, and what came with it: torque of the drive (N*m) and deflection (rad)."""

    load: FloatArray
    torque: FloatArray
    deflection: FloatArray
    hysteresis_rad: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Stiffness and damping over the commanded ones."""
    levels = _levels(recorded)
    scale, u_scale = _slope(levels.torque, levels.load)
    relative = known_load.relative_lines(recorded)
    return _stiffness(recorded, levels, relative), _damping(recorded, levels, scale, u_scale, relative)


def _levels(recorded: Recorded) -> _Levels:
    middles, gaps = {}, []
    for word in ("before", "mass", "after"):
        up, down = _passes(recorded, f"{word} up"), _passes(recorded, f"{word} down")
        middles[word] = (up + down) / 2
        gaps.append(np.abs(up[:, 1] - down[:, 1]))
    without = (middles["before"] + middles["after"]) / 2
    change, poses = middles["mass"] - without, middles["mass"][:, 2:]
    load = known_load.loads(recorded, poses)
    # With the mass the joint stands lower and hangs further behind its motor; the leg's own weight pulls otherwise
    # there. Torque and deflection are taken back to where it stood without.
    moved = known_load.WIND_RAD_PER_NM * load - change[:, 2 + recorded.joint_index()]
    own = np.gradient(without[:, 0], without[:, 2 + recorded.joint_index()]) * moved
    stiffness = recorded.joint.drive.stiffness_Nm_per_rad
    return _Levels(load, change[:, 0] + own, change[:, 1] + own / stiffness, float(np.mean(gaps)))


def _passes(recorded: Recorded, label: str) -> FloatArray:
    """By level: torque, set-point minus position, and joint angles, means over a window around it (levels, ...)."""
    levels = recorded.arguments["levels_rad"]
    traces = zip(recorded.traces(label), levels, strict=True)
    return np.array([_passed(recorded, trace, float(level)) for trace, level in traces])


def _passed(recorded: Recorded, trace: Trace, level_rad: float) -> FloatArray:
    edges = np.array([level_rad - WINDOW_RAD, level_rad + WINDOW_RAD])
    angle, read = signals(recorded, trace, "torque", "setpoint", "position")
    joints = recorded.joints(trace)
    joints = joints[np.isfinite(joints).all(axis=1)]
    means = [binned(angle, read[:, 0], edges), binned(angle, read[:, 1] - read[:, 2], edges)]
    means += [binned(joints[:, recorded.joint_index()], joints[:, j], edges) for j in range(joints.shape[1])]
    return np.concatenate(means)


def _slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Theil-Sen slope and its standard uncertainty, as least squares would have it from the same residuals."""
    slope, offset = theil_sen(x, y)
    rest = y - offset - slope * x
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + float(np.std(rest)) / 4
    # For normal scatter the slope by Theil and Sen scatters 1.05 times as far as that of least squares (Sen 1968).
    return slope, 1.05 * spread / sqrt(float(np.sum((x - x.mean()) ** 2)))


def _stiffness(recorded: Recorded, levels: _Levels, relative: tuple[BudgetLine, ...]) -> Measurement:
    joint, commanded = recorded.joint, recorded.joint.drive.stiffness_Nm_per_rad
    slope, u = _slope(levels.deflection, levels.load)
    value, step = slope / commanded, 2 * np.pi / joint.drive.counts_per_turn
    budget = (
        BudgetLine("scatter of the levels", u / commanded, len(levels.load) - 2, "A"),
        BudgetLine("encoder resolution", float(value * step / sqrt(12) / np.ptp(levels.deflection))),
        BudgetLine("angles in space", _elsewhere(recorded, levels, levels.deflection) / commanded, systematic=True),
        *(BudgetLine(line.source, line.u * value, systematic=True) for line in relative),
    )
    covariates = {"hysteresis_rad": levels.hysteresis_rad, **warmth(recorded)}
    return measurement(
        "rendered_stiffness_ratio", joint.name, value, budget, reference="external", covariates=covariates
    )


def _elsewhere(recorded: Recorded, levels: _Levels, x: FloatArray) -> float:
    """How far the slope of load over x may be off: by joints that stand elsewhere in space than their drives believe,
    and by play and wind-up that are not what was taken off."""
    poses, slope = _mass_poses(recorded), _slope(x, levels.load)[0]
    straight = _slope(x, known_load.loads(recorded, poses, wound=0.0))[0]
    changes = [known_load.WOUND_U * (straight - slope)]
    for j in range(poses.shape[1]):
        turned = poses.copy()
        turned[:, j] += known_load.ANGLE_U_RAD
        changes.append(_slope(x, known_load.loads(recorded, turned))[0] - slope)
    return float(np.linalg.norm(changes))


def _mass_poses(recorded: Recorded) -> FloatArray:
    return np.asarray((_passes(recorded, "mass up") + _passes(recorded, "mass down"))[:, 2:] / 2, float)


def _damping(
    recorded: Recorded, levels: _Levels, scale: float, u_scale: float, relative: tuple[BudgetLine, ...]
) -> Measurement:
    joint, commanded = recorded.joint, recorded.joint.drive.damping_Nms_per_rad
    law = _law(recorded, recorded.trace("swing"))
    if law is None:
        invalid = "the drive sends no velocity, or none that moves"
        return measurement("rendered_damping_ratio", joint.name, np.nan, (), reference="external", invalid=invalid)
    stiffness = joint.drive.stiffness_Nm_per_rad
    # The torque was read between now and AGE_S before: the middle is taken off. With every set-point the rotor jerks,
    # and what that does to a torque so old depends on its inertia, which is not known: JERK_SHARE.
    fitted = float(law.fit.coefficients[1])
    # Noise in the velocity makes the slope too small; were all that the fit leaves such noise, by this share.
    noise = (law.fit.residual_sd / (fitted * law.rate_rad_s)) ** 2
    believed = fitted * (1 + noise / 2) + stiffness * AGE_S / 2
    value = believed * scale / commanded
    share = value / believed
    budget = (
        BudgetLine("fit of the swing", law.fit.u(1) * share, law.fit.dof, "A"),
        BudgetLine("noise of the velocity", noise / 2 / sqrt(3) * value, systematic=True),
        BudgetLine("age of the torque reading", stiffness * AGE_S / 2 / sqrt(3) * share, systematic=True),
        BudgetLine("jerks of the rotor", JERK_SHARE * value, systematic=True),
        BudgetLine("torque by the levels", u_scale / scale * value, len(levels.load) - 2, "A"),
        BudgetLine("angles in space", _elsewhere(recorded, levels, levels.torque) / scale * value, systematic=True),
        *(BudgetLine(line.source, line.u * value, systematic=True) for line in relative),
    )
    covariates = {"torque_over_report": scale, **warmth(recorded)}
    return measurement(
        "rendered_damping_ratio", joint.name, value, budget, reference="external", covariates=covariates
    )


class _Law(NamedTuple):
    """torque over errors of position and speed and a constant; standard deviation of the error of speed."""

    fit: Fit
    rate_rad_s: float


def _law(recorded: Recorded, trace: Trace) -> _Law | None:
    """torque = K (d - q) + D (d' - q') + c over the samples that carry a velocity: K, D and c; None without them.

    Between two set-points the drive runs a line, so d' is the difference of the last two over the period. q' must be
    the drive's: with every set-point the rotor jerks, which differences of positions a whole period apart do not show.
    """
    name, period_s = recorded.joint.name, recorded.timing.period_ns * 1e-9
    torque, demand, position, velocity = (
        trace.column(f"{name}.{signal}") for signal in ("torque", "setpoint", "position", "velocity")
    )
    # A velocity comes with every few samples and is kept until the next: its noise tells a new one.
    new = np.flatnonzero(np.diff(velocity) != 0) + 1
    rows = new[new > 1]
    rate = (demand[rows] - demand[rows - 1]) / period_s - velocity[rows]
    design = np.column_stack([demand[rows] - position[rows], rate, np.ones(len(rows))])
    good = np.isfinite(design).all(axis=1) & np.isfinite(torque[rows])
    if good.sum() < LEAST_ROWS or float(np.std(rate[good])) < LEAST_RATE_RAD_S:
        return None
    return _Law(linear_fit(design[good], torque[rows][good]), float(np.std(rate[good])))


DECLARATION = Declaration(
    name="rendered compliance",
    title="commanded against rendered stiffness and damping",
    method="a known load is put on and taken off at several levels, each passed slowly both ways; then a small swing",
    quantities=("rendered_stiffness_ratio", "rendered_damping_ratio"),
    per_joint=True,
    setups=(SetUp.CLAMPED, SetUp.MASS),
    energy_class=2,
    posture="hanging, the joint over the angles at which a weight on the foot loads it",
    reference="external: the known mass and the link lengths",
    duration_s=75.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, levels: int = LEVELS) -> tuple[Measurement, ...]:
    """Measure stiffness and damping of a joint's position loop; see DECLARATION.quantities."""
    return run_procedure(DECLARATION, bench, joint, levels=levels)
