"""Two-directional positioning: the same angles reached from below and from above, by the statistics of ISO 230-2.

Homing itself has one side only, the end stop's; what a reversal of the direction changes is measured here instead, from
the home that the stop gave.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.positioning import axis_positioning
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import of_joint, signals, warmth, widest
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

POSITIONS, RUNS = 5, 5  # as ISO 230-2 asks for an axis of less than a metre
EDGE_RAD, OVERRUN_RAD, OVERRUN_RAD_S = 0.15, 0.06, 0.4
TRAVEL_RAD_S, REST_S = 1.5, 0.2
LAST = 0.5  # of a rest, at its end, that is read


def move(bench: Bench, joint: JointDescription, positions: int = POSITIONS, runs: int = RUNS) -> Recorded:
    """Stop at every position on the way up, then on the way down, `runs` times."""
    at_least(DECLARATION.name, "positions", positions, 2)
    at_least(DECLARATION.name, "runs", runs, 2)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index, pose = bench.leg.joint_names.index(joint.name), clear(bench.leg)
    targets = np.linspace(*widest(joint, EDGE_RAD), positions)
    arguments = {"targets_rad": targets.tolist(), "runs": runs}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        for _ in range(runs):
            for way, label in ((1, "up"), (-1, "down")):
                for target in targets[::way]:
                    start, end = of_joint(pose, index, [target - way * OVERRUN_RAD, target])
                    bench.move_to(start, TRAVEL_RAD_S)
                    bench.move_to(end, OVERRUN_RAD_S)
                    bench.wait(REST_S, label)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Reversal value B and two-directional repeatability R of the deviations (ISO 230-2:2014, 3.13 and 3.17)."""
    joint, runs = recorded.joint, recorded.arguments["runs"]
    targets = np.asarray(recorded.arguments["targets_rad"], float)
    up, down = (_deviations(recorded, label, targets, runs) for label in ("up", "down"))
    found = axis_positioning(up, down)
    reversals = up.mean(axis=1) - down.mean(axis=1)
    largest = int(np.argmax(np.abs(reversals)))
    step = 2 * np.pi / joint.drive.counts_per_turn
    scatter = np.sqrt((up.var(axis=1, ddof=1) + down.var(axis=1, ddof=1)) / runs)
    # The largest of several is large also by chance: by about their scatter, one-sided.
    chance = float(np.std(np.abs(reversals), ddof=1))
    resolution = BudgetLine("encoder resolution", step / sqrt(6) / sqrt(runs))
    covariates = {"B_mean_rad": found.B_mean, "E_rad": found.E, "M_rad": found.M, "A_rad": found.A, **warmth(recorded)}
    return (
        measurement("reversal_value", joint.name, found.B, (
            BudgetLine("scatter of the stops", float(scatter[largest]), 2 * (runs - 1), "A"),
            BudgetLine("largest of several positions", chance),
            resolution,
        ), reference="internal", covariates=covariates),
        measurement("positioning_repeatability", joint.name, found.R, (
            BudgetLine("number of runs", _u_spread(up, down), 2 * (runs - 1), "A"),
            BudgetLine("largest of several positions", chance),
            resolution,
        ), reference="internal", covariates=covariates),
    )  # fmt: skip


def _u_spread(up: FloatArray, down: FloatArray) -> float:
    """Standard uncertainty of 2 s(up) + 2 s(down) + |reversal| at the position with the largest scatter."""
    n = up.shape[1]
    s_up, s_down = up.std(axis=1, ddof=1), down.std(axis=1, ddof=1)
    spread = 2 * np.hypot(s_up, s_down) / sqrt(2 * (n - 1))
    return float(np.hypot(spread, np.hypot(s_up, s_down) / sqrt(n)).max())


def _deviations(recorded: Recorded, label: str, targets: FloatArray, runs: int) -> FloatArray:
    """Reached minus wanted joint angle, (positions, runs)."""
    reached = np.array([_reached(recorded, trace) for trace in recorded.traces(label)]).reshape(runs, len(targets))
    return np.asarray((reached - (targets if label == "up" else targets[::-1]))[:, :: 1 if label == "up" else -1].T)


def _reached(recorded: Recorded, trace: Trace) -> float:
    angle, _ = signals(recorded, trace, "position")
    return float(angle[-round(LAST * len(angle)) :].mean())


DECLARATION = Declaration(
    name="two-directional positioning",
    title="two-directional positioning with reversal value",
    method="the same angles are reached from below and from above in turn; deviations by ISO 230-2",
    quantities=("reversal_value", "positioning_repeatability"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint over all of its range",
    reference="internal: the drive's encoder; zero: the home stop",
    duration_s=60.0,
    move=move,
    evaluate=evaluate,
)


def run(
    bench: Bench, joint: JointDescription, positions: int = POSITIONS, runs: int = RUNS
) -> tuple[Measurement, ...]:
    """Measure reversal value and two-directional repeatability of a joint; see DECLARATION.quantities."""
    return run_procedure(DECLARATION, bench, joint, positions=positions, runs=runs)
