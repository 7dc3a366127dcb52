"""Running friction: the same arc at constant speeds, both ways; half the difference of the torques is friction."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import line_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

SPEEDS_RAD_S = (0.2, 0.5, 1.0, 1.5)
ARC_RAD = 0.25  # half of the arc that is evaluated
RUN_UP_RAD = 0.12  # on either side of it, for speeding up and slowing down
BINS = 8


def move(bench: Bench, joint: JointDescription, speeds_rad_s: tuple[float, ...] = SPEEDS_RAD_S) -> Recorded:
    """Run over an arc around the middle of the joint's hanging range, forth and back at each speed."""
    at_least(DECLARATION.name, "number of speeds", len(set(speeds_rad_s)), 3)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    centre = middle(bench.leg, joint, ARC_RAD + RUN_UP_RAD)
    arguments = {"speeds_rad_s": list(speeds_rad_s), "centre_rad": float(centre[index])}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        start = centre.copy()
        start[index] -= ARC_RAD + RUN_UP_RAD
        bench.move_to(start)
        for speed in speeds_rad_s:
            profile = _run(speed, bench.period_ns * 1e-9)
            rows = np.tile(start, (len(profile), 1))
            rows[:, index] += profile
            bench.follow(rows, label=f"{speed:g} up")
            bench.follow(rows[::-1], label=f"{speed:g} down")
    return taken(recording.result)


def _run(speed: float, period_s: float) -> NDArray[np.float64]:
    """0 .. 2 (arc + run-up) at constant speed, speeding up and slowing down evenly within the run-up."""
    length = 2 * (ARC_RAD + RUN_UP_RAD)
    ramp_s = RUN_UP_RAD / speed  # half the run-up is used for the ramp, the rest to settle
    total_s = length / speed + ramp_s
    t = np.arange(0.0, total_s + period_s, period_s)
    rise = np.clip(t / ramp_s, 0, 1)
    fall = np.clip((total_s - t) / ramp_s, 0, 1)
    path = np.cumsum(np.minimum(rise, fall))
    return np.asarray(length * path / path[-1], float)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Coulomb part and viscous part: friction at each speed = (torque up - torque down) / 2, a line over speed."""
    joint, arguments = recorded.joint, recorded.arguments
    speeds = [float(speed) for speed in arguments["speeds_rad_s"]]
    friction, scatter = [], []
    for speed in speeds:
        up = _binned(recorded, recorded.trace(f"{speed:g} up"), arguments["centre_rad"])
        down = _binned(recorded, recorded.trace(f"{speed:g} down"), arguments["centre_rad"])
        half = (up - down) / 2
        friction.append(float(np.mean(half)))
        scatter.append(float(np.std(half, ddof=1)) / np.sqrt(len(half)))
    fit = line_fit(speeds, friction)
    coulomb, viscous = (float(c) for c in fit.coefficients)
    step = joint.drive.rated_torque_Nm / 1000
    warmth = _warmth(recorded)
    return (
        measurement("coulomb_friction", joint.name, coulomb, (
            BudgetLine("line over speed", fit.u(0), fit.dof, "A"),
            BudgetLine("friction along the arc", float(np.mean(scatter)), BINS - 1, "A"),
            BudgetLine("torque from current", TORQUE_SCALE * abs(coulomb), systematic=True),
            BudgetLine("torque resolution", step / np.sqrt(12)),
        ), reference="internal", covariates=warmth),
        measurement("viscous_friction", joint.name, viscous, (
            BudgetLine("line over speed", fit.u(1), fit.dof, "A"),
            BudgetLine("friction along the arc", float(np.mean(scatter)) / np.ptp(speeds), BINS - 1, "A"),
            BudgetLine("torque from current", TORQUE_SCALE * abs(viscous), systematic=True),
            BudgetLine("torque resolution", step / np.sqrt(12) / np.ptp(speeds)),
        ), reference="internal", covariates=warmth),
    )  # fmt: skip


def _binned(recorded: Recorded, trace: Trace, centre: float) -> NDArray[np.float64]:
    """Median torque in BINS equal parts of the arc.

    Not the mean: when a SYNC comes late, a drive that has reached its target stops for a moment, and the torque of one
    sample jumps.
    """
    index = recorded.joint_index()
    angle = recorded.joints(trace)[:, index] - centre
    torque = trace.column(f"{recorded.joint.name}.torque")
    edges = np.linspace(-ARC_RAD, ARC_RAD, BINS + 1)
    return np.array([
        np.nanmedian(torque[(angle >= low) & (angle < high)]) for low, high in pairwise(edges)
    ])  # fmt: skip


def _warmth(recorded: Recorded) -> dict[str, float]:
    column = recorded.whole.columns.get(f"{recorded.joint.name}.temperature")
    warm = np.nanmean(column) if column is not None and np.isfinite(column).any() else np.nan
    return {"winding_temperature_C": float(warm)} if np.isfinite(warm) else {}


DECLARATION = Declaration(
    name="running friction",
    title="running friction",
    method="the joint runs over the same arc at constant speeds both ways; half the difference of the torques",
    quantities=("coulomb_friction", "viscous_friction"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: torque from current",
    duration_s=18.0,
    move=move,
    evaluate=evaluate,
)


def run(
    bench: Bench, joint: JointDescription, speeds_rad_s: tuple[float, ...] = SPEEDS_RAD_S
) -> tuple[Measurement, ...]:
    """Measure a joint's running friction: `coulomb_friction` and `viscous_friction`."""
    return run_procedure(DECLARATION, bench, joint, speeds_rad_s=speeds_rad_s)
