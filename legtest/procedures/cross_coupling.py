"""Cross-coupling: one joint moves briskly there and back, the others hold; how far do they give way?"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

SIZE_RAD, THERE_S, REPEATS = 0.25, 0.25, 6
REST_S = 0.3
LEFT_RAD = 3e-4  # half width of what friction and play, left as they were, change of where a held joint rests


def bump(period_s: float) -> FloatArray:
    """Offsets (rows,), rad: there and back, each on a minimum-jerk path, then a rest."""
    s = np.linspace(0.0, 1.0, round(THERE_S / period_s) + 1)
    there = s**3 * (10 - 15 * s + 6 * s**2)
    return np.asarray(SIZE_RAD * np.concatenate([there, there[-2::-1], np.zeros(round(REST_S / period_s))]), float)


def move(bench: Bench, joint: JointDescription, repeats: int = REPEATS) -> Recorded:
    """Move one joint there and back, the others held where they hang."""
    at_least(DECLARATION.name, "repeats", repeats, 3)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    pose = middle(bench.leg, joint, SIZE_RAD)
    offsets = bump(bench.period_ns * 1e-9)
    rows = np.tile(pose, (len(offsets), 1))
    rows[:, index] += offsets
    with (
        bench.recording(
            DECLARATION.name, joint.name, DECLARATION.method, pose_rad=pose.tolist(), repeats=repeats
        ) as recording,
        bench.energised(),
    ):
        bench.move_to(pose)
        bench.wait(REST_S)
        bench.follow(rows)  # the first has another friction behind it
        for _ in range(repeats):
            bench.follow(rows, label="bump")
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Largest deviation of any other joint over the excursion, both of the mean motion of the repeats."""
    index, period_s = recorded.joint_index(), recorded.timing.period_ns * 1e-9
    motions = np.array([_motion(recorded, trace, period_s) for trace in recorded.traces("bump")])
    value, worst = ratio(motions.mean(axis=0), index)
    n = len(motions)
    left = np.array([ratio(np.delete(motions, i, axis=0).mean(axis=0), index)[0] for i in range(n)])
    repeats = float(np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum()))
    # The noise of a reading lifts the largest of many, by up to three standard deviations; from second differences.
    noise = float(np.std(np.diff(motions[:, :, worst], 2, axis=1))) / sqrt(6 * n)
    step = 2 * np.pi / recorded.leg.joints[worst].drive.counts_per_turn
    budget = (
        BudgetLine("repeats", repeats, n - 1, "A"),
        BudgetLine("largest of many samples", 3 * noise / sqrt(3) / SIZE_RAD),
        BudgetLine("encoder resolution", step / sqrt(12) / SIZE_RAD),
        BudgetLine("friction and play left by the motion before", LEFT_RAD / sqrt(3) / SIZE_RAD),
        BudgetLine("between two samples", _between(motions.mean(axis=0)[:, worst]) / SIZE_RAD),
    )
    covariates = {f"{name}_rad": float(np.abs(motions.mean(axis=0)[:, i]).max())
                  for i, name in enumerate(recorded.leg.joint_names)}  # fmt: skip
    reason = f"{recorded.timing.missed} control cycles were left out" if recorded.timing.missed else ""
    return (
        measurement("cross_coupling", recorded.joint.name, value, budget, reference="internal",
                    covariates=covariates, invalid=reason),
    )  # fmt: skip


def ratio(motion_rad: FloatArray, index: int) -> tuple[float, int]:
    """Largest deviation of the joints but `index` over its own, from (rows, joints) that begin at rest; and whose."""
    largest = np.abs(motion_rad).max(axis=0)
    others = np.delete(np.arange(len(largest)), index)
    worst = int(others[np.argmax(largest[others])])
    return float(largest[worst] / largest[index]), worst


def _motion(recorded: Recorded, trace: Trace, period_s: float) -> FloatArray:
    """Joint angles (rows, joints) less where they were before, from the beginning of the set-point's motion."""
    command, angle = (recorded.joints(trace, what) for what in ("setpoint", "position"))
    own = command[:, recorded.joint_index()]
    first = int(np.nanargmax(np.abs(own - own[np.isfinite(own)][0]) > 1e-4))
    rows = round(2 * THERE_S / period_s) + round(0.5 * REST_S / period_s)
    before = np.nanmean(angle[:first], axis=0)
    motion = angle[first : first + rows] - before
    good = np.isfinite(motion).all(axis=1)
    at = np.arange(len(motion))
    return np.stack([np.interp(at, at[good], column[good]) for column in motion.T], axis=1)


def _between(deviation: FloatArray) -> float:
    """How far a peak may lie above its highest sample: an eighth of the curvature there, rectangular."""
    i = int(np.clip(np.argmax(np.abs(deviation)), 1, len(deviation) - 2))
    return float(abs(deviation[i - 1] - 2 * deviation[i] + deviation[i + 1])) / 8 / sqrt(3)


DECLARATION = Declaration(
    name="cross-coupling",
    title="cross-coupling of the joints",
    method="one joint moves briskly there and back while the others hold; their largest deviation over its excursion",
    quantities=("cross_coupling",),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: the drives' encoders",
    duration_s=8.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, repeats: int = REPEATS) -> tuple[Measurement, ...]:
    """Measure how far the other joints give way when this one moves: one `cross_coupling`."""
    return run_procedure(DECLARATION, bench, joint, repeats=repeats)
