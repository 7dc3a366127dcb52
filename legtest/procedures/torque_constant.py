"""Torque constant and linearity with a known mass: slow sweeps through all levels of load, with the mass and without.

Both ways and with and without the mass, at the same angle: friction, ripple, the leg's weight and the drive's zero of
torque drop out. What friction grows by with the mass is what gear and bearings lose under load.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import Fit, linear_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing, known_load
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import binned, constant_speed, of_joint, signals, warmth
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

SPEED_RAD_S, PASSES = 0.2, 1
EDGE_RAD = 0.06  # left out at both ends of a sweep
BINS = 24
WARMING = 0.02  # of friction, that it may fall by between the sweeps as motor and grease get warm; common practice


def move(bench: Bench, joint: JointDescription, passes: int = PASSES) -> Recorded:
    """Sweep the joint through all loads that the mass can give, up and down, without the mass and with it."""
    at_least(DECLARATION.name, "passes", passes, 1)
    homing.ensure(bench)
    index = bench.leg.joint_names.index(joint.name)
    low, high = known_load.span(bench.leg, joint)
    sweep = constant_speed(low, high, SPEED_RAD_S, bench.period_ns * 1e-9)
    rows = of_joint(np.zeros(len(bench.leg.joints)), index, sweep)
    arguments = {"passes": passes, **known_load.arguments(bench)}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording:
        for setup, word in ((SetUp.CLAMPED, "empty"), (SetUp.MASS, "mass")):
            bench.arrange(setup)
            with bench.energised():
                bench.move_to(rows[0])
                for _ in range(passes):
                    bench.follow(rows, label=f"{word} up")
                    bench.follow(rows[::-1], label=f"{word} down")
        bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


class _Levels(NamedTuple):
    """By bin of the angle: load of the mass, change of torque with it, and change of friction with it; N*m.

    poses: joint angles (bins, joints) with the mass, by the motors.
    """

    load: FloatArray
    torque: FloatArray
    friction: FloatArray
    poses: FloatArray


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Torque constant and saturation from load = c torque (1 - b |torque|) + offset; load friction by its growth."""
    levels = _levels(recorded)
    return (*_constant(recorded, levels), _load_friction(recorded, levels))


def _levels(recorded: Recorded) -> _Levels:
    index = recorded.joint_index()
    first = recorded.joints(recorded.traces("empty up")[0])[:, index]
    edges = np.linspace(np.nanmin(first) + EDGE_RAD, np.nanmax(first) - EDGE_RAD, BINS + 1)
    torque: dict[str, FloatArray] = {}
    for word in ("empty up", "empty down", "mass up", "mass down"):
        read = [signals(recorded, trace, "torque") for trace in recorded.traces(word)]
        torque[word] = np.mean([binned(angle, columns[:, 0], edges) for angle, columns in read], axis=0)
    poses = _poses(recorded, edges)
    load = known_load.loads(recorded, poses)
    with_mass, without = (torque[f"{word} up"] + torque[f"{word} down"] for word in ("mass", "empty"))
    rubs, rubbed = (torque[f"{word} up"] - torque[f"{word} down"] for word in ("mass", "empty"))
    # With the mass the joint hangs further behind its motor, where the leg's own weight pulls a little otherwise.
    own = np.gradient(without / 2, edges[1] - edges[0]) * known_load.WIND_RAD_PER_NM * load
    return _Levels(load, (with_mass - without) / 2 + own, (rubs - rubbed) / 2, poses)


def _poses(recorded: Recorded, edges: FloatArray) -> FloatArray:
    """Joint angles (bins, joints) with the mass: the other joints give way to it, and are taken where they were."""
    columns = []
    for j in range(len(recorded.leg.joints)):
        ways = []
        for word in ("mass up", "mass down"):
            for trace in recorded.traces(word):
                angles = recorded.joints(trace)
                good = np.isfinite(angles).all(axis=1)
                ways.append(binned(angles[good, recorded.joint_index()], angles[good, j], edges))
        columns.append(np.mean(ways, axis=0))
    return np.stack(columns, axis=1)


def _fitted(load: FloatArray, torque: FloatArray) -> Fit:
    return linear_fit(np.column_stack([torque, torque * np.abs(torque), np.ones_like(torque)]), load)


def _elsewhere(recorded: Recorded, levels: _Levels) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far constant and saturation may be off: by joints that stand elsewhere in space than their drives believe,
    and by play and wind-up that are not what was taken off."""
    rated, us = recorded.joint.drive.rated_torque_Nm, []
    plain = _figures(_fitted(levels.load, levels.torque), rated)
    for j in range(levels.poses.shape[1]):
        poses = levels.poses.copy()
        poses[:, j] += known_load.ANGLE_U_RAD
        us.append(np.subtract(_figures(_fitted(known_load.loads(recorded, poses), levels.torque), rated), plain))
    constant, saturation = np.linalg.norm(us, axis=0)
    straight = _figures(_fitted(known_load.loads(recorded, levels.poses, wound=0.0), levels.torque), rated)
    wound = known_load.WOUND_U * np.abs(np.subtract(straight, plain))
    return (float(constant), float(saturation)), (float(wound[0]), float(wound[1]))


def _figures(fit: Fit, rated_Nm: float) -> tuple[float, float]:
    constant, bend = (float(c) for c in fit.coefficients[:2])
    return constant, -bend / constant * rated_Nm


def _constant(recorded: Recorded, levels: _Levels) -> tuple[Measurement, Measurement]:
    joint = recorded.joint
    rated = joint.drive.rated_torque_Nm
    fit = _fitted(levels.load, levels.torque)
    constant, saturation = _figures(fit, rated)
    (turned, turned_saturation), (wound, wound_saturation) = _elsewhere(recorded, levels)
    step = rated / 1000 / np.sqrt(12) / np.ptp(levels.torque)
    covariates = {"largest_load_Nm": float(np.abs(levels.load).max()), **warmth(recorded)}
    relative = known_load.relative_lines(recorded)
    return (
        measurement("torque_constant_ratio", joint.name, constant, (
            BudgetLine("fit of the levels", fit.u(0), fit.dof, "A"),
            BudgetLine("torque resolution", float(constant * step)),
            BudgetLine("angles in space", turned, systematic=True),
            BudgetLine("play and wind-up", wound, systematic=True),
            *(BudgetLine(line.source, line.u * constant, systematic=True) for line in relative),
        ), reference="external", covariates=covariates),
        measurement("torque_saturation", joint.name, saturation, (
            BudgetLine("fit of the levels", fit.u(1) / constant * rated, fit.dof, "A"),
            BudgetLine("torque resolution", float(step * rated / np.ptp(levels.torque))),
            BudgetLine("angles in space", turned_saturation, systematic=True),
            BudgetLine("play and wind-up", wound_saturation, systematic=True),
        ), reference="external", covariates=covariates),
    )  # fmt: skip


def _load_friction(recorded: Recorded, levels: _Levels) -> Measurement:
    """Growth of friction over growth of torque; the part that does not grow is warmth and takes part in the fit."""
    joint, load = recorded.joint, np.abs(levels.torque)
    fit = linear_fit(np.column_stack([load, np.ones_like(load)]), levels.friction)
    share, apart = (float(c) for c in fit.coefficients)
    budget = (
        BudgetLine("fit of the levels", fit.u(0), fit.dof, "A"),
        BudgetLine("friction unlike as it warms", (abs(apart) / 2 + WARMING * _running(recorded)) / np.ptp(load)),
    )
    covariates = {"driving_efficiency": 1 / (1 + share), "driven_back_efficiency": 1 - share, **warmth(recorded)}
    return measurement("load_friction", joint.name, share, budget, reference="internal", covariates=covariates)


def _running(recorded: Recorded) -> float:
    """Friction without the mass, N*m."""
    name = f"{recorded.joint.name}.torque"
    up, down = (
        np.mean([np.nanmean(trace.column(name)) for trace in recorded.traces(f"empty {way}")]) for way in ("up", "down")
    )
    return float(abs(up - down) / 2)


DECLARATION = Declaration(
    name="torque constant",
    title="torque constant and linearity",
    method="slow sweeps through the loads of a known mass, both ways, with the mass and without it, at the same angles",
    quantities=("torque_constant_ratio", "torque_saturation", "load_friction"),
    per_joint=True,
    setups=(SetUp.CLAMPED, SetUp.MASS),
    energy_class=2,
    posture="hanging, the joint over the angles at which a weight on the foot loads it",
    reference="external: the known mass and the link lengths",
    duration_s=65.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, passes: int = PASSES) -> tuple[Measurement, ...]:
    """Measure torque constant, saturation and load friction of a joint; see DECLARATION.quantities."""
    return run_procedure(DECLARATION, bench, joint, passes=passes)
