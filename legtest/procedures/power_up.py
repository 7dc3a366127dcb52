"""Offset and wrap: does a drive know after power-up where its joint is, in every pose? By hand, no power in the motors.

Behind a gear of ratio N an encoder on the motor that knows its place within one turn only is wrong by multiples of
2 pi / N of the output. Sees that, and an offset that is lost. Does not see an offset that was wrong all along: the end
stops tell that (`homing repeatability`, `range of motion`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

POSES, WATCH_S = 5, 0.4
SHARE = 0.8  # of each joint's range that the poses cover


def move(bench: Bench, poses: int = POSES) -> Recorded:
    """In each pose: read, switch the drives' supply off and on, read again. The leg is held by hand meanwhile.

    Homes are forgotten by the first switching, before anything is read.
    """
    at_least(DECLARATION.name, "poses", poses, 2)
    bench.arrange(SetUp.CLAMPED)
    with bench.observing(DECLARATION.name, None, DECLARATION.method, poses=poses) as recording:
        bench.power_cycle()
        try:
            for pose in _poses(bench, poses):
                bench.look()
                bench.pose_by_hand(pose)
                bench.watch(WATCH_S, "before")
                bench.power_cycle()
                bench.look("look after")
                bench.watch(WATCH_S, "after")
        finally:
            bench.let_go()
    return taken(recording.result)


def _poses(bench: Bench, count: int) -> FloatArray:
    """(count, joints), rad: evenly over each range, every other joint the other way round; a leg's foot stays clear."""
    shares = np.linspace(-SHARE / 2, SHARE / 2, count)
    ranges = np.array([joint.limits_rad for joint in bench.leg.joints])
    signs = np.where(np.arange(len(ranges)) % 2 == 0, 1.0, -1.0)
    return np.asarray(ranges.mean(axis=1) + np.outer(shares, signs * np.ptp(ranges, axis=1)), float)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """The change that is largest, of the actuators' own readings, with its sign."""
    changes, noises = [], []
    for before, after in zip(recorded.traces("before"), recorded.traces("after"), strict=True):
        (mean, u), (mean_after, u_after) = _read(recorded, before), _read(recorded, after)
        changes.append(mean_after - mean)
        noises.append(np.hypot(u, u_after))
    table, noise, found = np.array(changes), np.array(noises), []
    for index, joint in enumerate(recorded.leg.joints):
        worst = int(np.argmax(np.abs(table[:, index])))
        step = 2 * np.pi / joint.drive.counts_per_turn
        budget = (
            BudgetLine("noise and motion while it was read", float(noise[worst, index]), 10, "A"),
            BudgetLine("encoder resolution", step * np.sqrt(2 / 12)),
        )
        found.append(
            measurement(
                "offset_change", joint.name, float(table[worst, index]), budget, reference="internal",
                covariates={"power_cycles": len(table)},
            )
        )  # fmt: skip
    return tuple(found)


def _read(recorded: Recorded, trace: Trace) -> tuple[FloatArray, FloatArray]:
    """Mean of each actuator's reading, and how far the halves of the watch lie apart beside its noise."""
    angles = recorded.actuators(trace)
    angles = angles[np.isfinite(angles).all(axis=1)]
    half = len(angles) // 2
    moved = np.abs(angles[half:].mean(axis=0) - angles[:half].mean(axis=0))
    return angles.mean(axis=0), np.hypot(angles.std(axis=0, ddof=1) / np.sqrt(len(angles)), moved)


DECLARATION = Declaration(
    name="power up",
    title="offset and wrap after power-up",
    method="the leg is held by hand in several poses; its drives are switched off and on, and must read as before",
    quantities=("offset_change",),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=0,
    posture="held by hand in poses all over the joints' ranges; no power in the motors",
    reference="internal: the reading before; the hands hold the leg still",
    duration_s=60.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, poses: int = POSES) -> tuple[Measurement, ...]:
    """Switch the drives off and on in several poses: one `offset_change` for each joint. Needs a person."""
    return run_procedure(DECLARATION, bench, poses=poses)
