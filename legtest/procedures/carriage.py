"""Carriage drag: the leg lifts and lowers its carriage slowly; half the difference of the foot force is drag."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.kinematics import foot_of_joints, jacobian, joint_torques, joints_of_foot
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

LIFT_M, STROKE_M, SPEED_M_S, STROKES = 0.020, 0.020, 0.02, 3
EDGE_M = 0.003  # left out at both ends of a stroke, where the direction changes


def move(bench: Bench) -> Recorded:
    """Stand up from the block, then go up and down slowly; the block takes the carriage again at the end."""
    homing.ensure(bench)
    bench.arrange(SetUp.STANDING)
    with bench.recording(DECLARATION.name, None, DECLARATION.method, stroke_m=STROKE_M) as recording:
        with bench.energised():
            resting = foot_of_joints(bench.leg, bench.demand_rad)
            bench.follow(_heights(bench, resting, 0.0, LIFT_M), label="stand up")
            for _ in range(STROKES):
                bench.follow(_heights(bench, resting, LIFT_M, LIFT_M + STROKE_M), label="up")
                bench.follow(_heights(bench, resting, LIFT_M + STROKE_M, LIFT_M), label="down")
            bench.follow(_heights(bench, resting, LIFT_M, 0.0), label="sit down")
    bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def _heights(bench: Bench, resting: FloatArray, start_m: float, end_m: float) -> FloatArray:
    """Joint angles that push the foot straight down from where it rested, at constant speed."""
    count = max(2, round(abs(end_m - start_m) / SPEED_M_S / (bench.period_ns * 1e-9)) + 1)
    foot = np.tile(resting, (count, 1))
    foot[:, 2] -= np.linspace(start_m, end_m, count)
    return joints_of_foot(bench.leg, foot)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """(force up - force down) / 2, the vertical foot force from the joint torques at the same heights."""
    ups = np.array([_force(recorded, trace) for trace in recorded.traces("up")])
    downs = np.array([_force(recorded, trace) for trace in recorded.traces("down")])
    drags = (ups - downs) / 2
    value = float(drags.mean())
    budget = (
        BudgetLine("repeat of the strokes", float(drags.std(ddof=1) / np.sqrt(len(drags))), len(drags) - 1, "A"),
        BudgetLine("torque from current", TORQUE_SCALE * abs(value), systematic=True),
        BudgetLine("lever arms of the drawing", 0.01 * abs(value), systematic=True),
        BudgetLine("torque resolution", max(j.drive.rated_torque_Nm for j in recorded.leg.joints) / 1000 / 0.1),
    )
    covariates = {"weight_on_foot_N": float((ups.mean() + downs.mean()) / 2)}
    return (measurement("carriage_drag", "leg", value, budget, reference="internal", covariates=covariates),)


def _force(recorded: Recorded, trace: Trace) -> float:
    """Mean vertical force, N, of the foot on the floor during a stroke, without its ends."""
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
    method="standing on the floor the leg lifts its carriage and lowers it slowly; half the difference of the foot force",
    quantities=("carriage_drag",),
    per_joint=False,
    setups=(SetUp.STANDING,),
    energy_class=2,
    posture="standing, foot on the floor below the hip",
    reference="internal: torque from current (contains the friction of the joints)",
    duration_s=20.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Measure what the carriage and the joints together drag: one `carriage_drag`."""
    return run_procedure(DECLARATION, bench)
