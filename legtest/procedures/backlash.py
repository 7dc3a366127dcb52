"""Backlash from the hysteresis loop of a joint whose output is held."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import line_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded

SPEED_RAD_S = 0.03
LOOPS = 3  # the first takes up the play and is not evaluated
FIT_FROM = 0.4  # of the largest torque
UNLIKE_FRICTION_RAD = 2e-4  # what a tenth of a newton-metre of friction winds up in a belt of 500 N*m/rad


def move(bench: Bench, joint: JointDescription, torque_Nm: float | None = None) -> Recorded:
    """With the foot clamped, sweep the demand slowly to both sides so that the torque goes to +-torque_Nm and back."""
    bench.precheck()
    bench.arrange(SetUp.FOOT_CLAMPED)
    torque = torque_Nm or joint.home.torque_Nm
    index = bench.leg.joint_names.index(joint.name)
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, torque_Nm=torque) as recording:
        with bench.energised():
            start = bench.demand_rad
            # As far as the position loop and a stiff transmission need, and half as much again for its play.
            reach = 1.5 * torque / joint.drive.stiffness_Nm_per_rad
            sweep = _triangle(reach, SPEED_RAD_S * bench.period_ns * 1e-9)
            rows = np.tile(start, (len(sweep), 1))
            rows[:, index] += sweep
            caps = np.array([j.torque_Nm for j in bench.leg.joints])
            caps[index] = torque
            for _ in range(LOOPS):
                bench.follow(rows, caps, label="loop")
    return taken(recording.result)


def _triangle(reach: float, step: float) -> NDArray[np.float64]:
    """0, +reach, -reach, 0 in equal steps."""
    n = max(4, int(np.ceil(reach / step)))
    up = np.linspace(0.0, reach, n + 1)
    return np.concatenate([up, up[-2::-1], -up[1:], -up[-2::-1]])


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Gap at zero torque between the two flanks of the loop.

    On each flank the branch of rising and the branch of falling torque are fitted apart; their mean has no friction.
    """
    joint = recorded.joint
    gaps, noise = [], []
    for trace in recorded.traces("loop")[1:]:
        torque, angle = trace.column(f"{joint.name}.torque"), trace.column(f"{joint.name}.position")
        plus, u_plus = _flank(torque, angle)
        minus, u_minus = _flank(-torque, -angle)
        gaps.append(plus + minus)
        noise.append(float(np.hypot(u_plus, u_minus)))
    value = float(np.mean(gaps))
    step = 2 * np.pi / joint.drive.counts_per_turn
    budget = (
        BudgetLine("repeat of the loop", float(np.std(gaps, ddof=1)) / np.sqrt(len(gaps)), len(gaps) - 1, "A"),
        BudgetLine("fit of the flanks", float(np.mean(noise))),
        BudgetLine("encoder resolution", step / np.sqrt(12)),
        BudgetLine("friction unlike on both branches", UNLIKE_FRICTION_RAD, systematic=True),
    )
    invalid = "" if np.nanmax(np.abs(torque)) > 0.8 * recorded.arguments["torque_Nm"] else "the torque was not reached"
    return (
        measurement(
            "backlash", joint.name, value, budget, reference="internal", invalid=invalid,
            covariates={"torque_Nm": recorded.arguments["torque_Nm"]},
        ),
    )  # fmt: skip


def _flank(torque: NDArray[np.float64], angle: NDArray[np.float64]) -> tuple[float, float]:
    """Angle at zero torque of the flank of positive torque, mean of both branches, and its standard uncertainty."""
    top = float(np.nanmax(torque))
    peak = int(np.nanargmax(np.where(np.isnan(torque), -np.inf, angle)))
    steep = (torque > FIT_FROM * top) & (torque < 0.95 * top)
    rows = np.arange(len(torque))
    ends, us = [], []
    for branch in (steep & (rows < peak), steep & (rows > peak)):
        fit = line_fit(torque[branch], angle[branch])
        ends.append(float(fit.coefficients[0]))
        us.append(fit.u(0))
    return float(np.mean(ends)), float(np.hypot(*us)) / 2


DECLARATION = Declaration(
    name="backlash",
    title="backlash",
    method="with the foot clamped the torque is taken slowly to both sides; gap of the hysteresis loop at zero torque",
    quantities=("backlash",),
    per_joint=True,
    setups=(SetUp.FOOT_CLAMPED,),
    energy_class=1,
    posture="hanging, foot clamped to the stand",
    reference="internal: the drive's encoder and current",
    duration_s=20.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, torque_Nm: float | None = None) -> tuple[Measurement, ...]:
    """Measure the backlash of a joint: one `backlash`."""
    return run_procedure(DECLARATION, bench, joint, torque_Nm=torque_Nm)
