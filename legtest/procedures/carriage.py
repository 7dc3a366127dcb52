"""Carriage drag: the leg lifts and lowers its carriage slowly; half the difference of the foot force is drag.

The joints drag as well. What they do is measured by the same strokes in the air, with the carriage clamped, and
subtracted; so is their part of what the drive reads as torque.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.kinematics import foot_of_joints, jacobian, joint_torques, joints_of_foot
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

LIFT_M, STROKE_M, SPEED_M_S, STROKES = 0.020, 0.020, 0.02, 3
EDGE_M = 0.003  # left out at both ends of a stroke, where the direction changes
LEVER_U = 0.01  # relative: link lengths, and angles near 45 deg known to half a degree
UNLIKE = 0.1  # of the joints' friction, which may grow a little with their load; common practice, no source


def move(bench: Bench) -> Recorded:
    """Stand up from the block, go up and down slowly, sit down again; then the same strokes in the air."""
    homing.ensure(bench)
    bench.arrange(SetUp.STANDING)
    with bench.recording(DECLARATION.name, None, DECLARATION.method, stroke_m=STROKE_M) as recording:
        with bench.energised():
            resting = foot_of_joints(bench.leg, bench.demand_rad)
            rise = _heights(bench, resting, 0.0, LIFT_M)
            up = _heights(bench, resting, LIFT_M, LIFT_M + STROKE_M)
            bench.follow(rise, label="stand up")
            _strokes(bench, up, "up", "down")
            bench.follow(rise[::-1], label="sit down")
        bench.arrange(SetUp.CLAMPED)
        with bench.energised():
            bench.move_to(up[0])
            _strokes(bench, up, "air up", "air down")
    return taken(recording.result)


def _strokes(bench: Bench, rows: FloatArray, up: str, down: str) -> None:
    for _ in range(STROKES):
        bench.follow(rows, label=up)
        bench.follow(rows[::-1], label=down)


def _heights(bench: Bench, resting: FloatArray, start_m: float, end_m: float) -> FloatArray:
    """Joint angles that push the foot straight down from where it rested, at constant speed."""
    count = max(2, round(abs(end_m - start_m) / SPEED_M_S / (bench.period_ns * 1e-9)) + 1)
    foot = np.tile(resting, (count, 1))
    foot[:, 2] -= np.linspace(start_m, end_m, count)
    return joints_of_foot(bench.leg, foot)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """(force up - force down) / 2 on the floor less the same in the air, from the joint torques at the same heights."""
    ups, downs, air_ups, air_downs = (_forces(recorded, label) for label in ("up", "down", "air up", "air down"))
    standing, joints = (ups - downs) / 2, (air_ups - air_downs) / 2
    value = float(standing.mean() - joints.mean())
    # A torque scale is wrong by the same share on the floor and in the air.
    budget = (
        repeats("strokes on the floor", standing.tolist()),
        repeats("strokes in the air", joints.tolist()),
        BudgetLine("torque from current", TORQUE_SCALE * abs(value), systematic=True),
        BudgetLine("lever arms of the drawing", LEVER_U * abs(value), systematic=True),
        BudgetLine("friction unlike under load", UNLIKE * abs(float(joints.mean())), systematic=True),
    )
    covariates = {"weight_on_foot_N": float((ups.mean() + downs.mean()) / 2), "joint_friction_N": float(joints.mean())}
    return (measurement("carriage_drag", "leg", value, budget, reference="internal", covariates=covariates),)


def _forces(recorded: Recorded, label: str) -> FloatArray:
    return np.array([_force(recorded, trace) for trace in recorded.traces(label)])


def _force(recorded: Recorded, trace: Trace) -> float:
    """Mean vertical force, N, that a foot on the floor would need for these torques, without the ends of the stroke."""
    angle, torque = recorded.joints(trace), recorded.actuators(trace, "torque")
    good = np.isfinite(angle).all(axis=1) & np.isfinite(torque).all(axis=1)
    angle, torque = angle[good], joint_torques(recorded.leg, torque[good])
    height = -foot_of_joints(recorded.leg, angle)[:, 2]
    inside = (height > height.min() + EDGE_M) & (height < height.max() - EDGE_M)
    forces = [
        np.linalg.lstsq(jacobian(recorded.leg, q).T, -tau, rcond=None)[0][2]
        for q, tau in zip(angle[inside], torque[inside], strict=True)
    ]
    # The floor pushes the foot up with this force; tau = -J^T F.
    return float(np.mean(forces))


DECLARATION = Declaration(
    name="carriage drag",
    title="drag of the carriage",
    method="the leg lifts its carriage and lowers it slowly; half the difference of foot force, less that in air",
    quantities=("carriage_drag",),
    per_joint=False,
    setups=(SetUp.STANDING, SetUp.CLAMPED),
    energy_class=2,
    posture="standing, foot on the floor below the hip",
    reference="internal: torque from current",
    duration_s=18.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Measure what the carriage drags on its rail: one `carriage_drag`."""
    return run_procedure(DECLARATION, bench)
