"""Backlash from the hysteresis loop of a joint whose output is held."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot

import numpy as np

from legtest.bench import Bench, Sample
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.fitting import line_fit_without_spikes
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

SPEED_RAD_S = 0.03
SWEEPS = 6  # up and down in turn; the first takes up the play and is not evaluated
MOST_PLAY_RAD = 0.1
REACHED = 0.97  # of the torque, where a sweep turns
FIT_FROM = 0.4  # of the largest torque
STUCK_SHARE = 0.25  # of the flank, next to its end
UNLIKE_FRICTION_RAD = 2e-4  # what a tenth of a newton-metre of friction winds up in a belt of 500 N*m/rad


def move(bench: Bench, joint: JointDescription, torque_Nm: float | None = None) -> Recorded:
    """With the foot clamped, sweep the demand slowly to either side until the torque is +-torque_Nm, in turn."""
    bench.precheck()
    bench.arrange(SetUp.FOOT_CLAMPED)
    torque = torque_Nm or joint.home.torque_Nm
    index = bench.leg.joint_names.index(joint.name)
    with (
        bench.recording(DECLARATION.name, joint.name, DECLARATION.method, torque_Nm=torque) as recording,
        bench.energised(),
    ):
        start = bench.demand_rad
        caps = np.array([j.torque_Nm for j in bench.leg.joints])
        caps[index] = torque
        # From the one torque to the other the position loop gives way twice, and a stiff transmission as well.
        far = 3 * torque / joint.drive.stiffness_Nm_per_rad + MOST_PLAY_RAD
        count = int(np.ceil(far / (SPEED_RAD_S * bench.period_ns * 1e-9)))
        for number in range(SWEEPS):
            side = -1 if number % 2 else 1
            rows = np.tile(bench.demand_rad, (count, 1))
            rows[:, index] += side * np.linspace(0.0, far, count)
            reached = _reached(index, side, REACHED * torque)
            bench.follow(rows, caps, label="down" if number % 2 else "up", until=reached)
        bench.follow(bench.path(start, SPEED_RAD_S), caps, label="relax")
    return taken(recording.result)


def _reached(index: int, side: int, torque_Nm: float) -> Callable[[Sample], bool]:
    """Whether an axis pushes this hard to one side."""
    return lambda sample: side * sample.torques_Nm[index] >= torque_Nm


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Gap at zero torque between the two flanks of the loop.

    On each flank the branch of rising and the branch of falling torque are fitted apart; their mean has no friction.
    """
    joint, torque = recorded.joint, recorded.arguments["torque_Nm"]
    ups, downs, name = recorded.traces("up"), recorded.traces("down"), joint.name
    largest = [_largest(t, name, 1) for t in ups] + [_largest(t, name, -1) for t in downs]
    if min(largest) < 0.9 * torque:
        invalid = f"{torque:g} N*m were not reached within {MOST_PLAY_RAD:g} rad of play"
        return (measurement("backlash", name, np.nan, (), reference="internal", invalid=invalid),)
    gaps, noise = [], []
    for number in range(1, len(ups)):
        plus, u_plus = _flank(ups[number], downs[number], name, 1)
        minus, u_minus = _flank(downs[number - 1], ups[number], name, -1)
        gaps.append(plus + minus)
        noise.append(hypot(u_plus, u_minus))
    step = 2 * np.pi / joint.drive.counts_per_turn
    budget = (
        repeats("repeat of the loop", gaps),
        BudgetLine("fit of the flanks", float(np.mean(noise))),
        BudgetLine("encoder resolution", step / np.sqrt(12)),
        BudgetLine("friction unlike on both branches", UNLIKE_FRICTION_RAD, systematic=True),
    )
    return (
        measurement(
            "backlash", name, float(np.mean(gaps)), budget, reference="internal", covariates={"torque_Nm": torque}
        ),
    )


def _largest(trace: Trace, name: str, sign: int) -> float:
    return float(np.nanmax(sign * trace.column(f"{name}.torque")))


def _flank(rising: Trace, falling: Trace, name: str, sign: int) -> tuple[float, float]:
    """Angle at zero torque of one flank, mean of both branches, and its standard uncertainty; mirrored for sign -1."""
    top, end = _largest(rising, name, sign), float(np.nanmax(sign * rising.column(f"{name}.position")))
    ends, us = [], []
    for trace, turned in ((rising, False), (falling, True)):
        torque, angle = sign * trace.column(f"{name}.torque"), sign * trace.column(f"{name}.position")
        steep = (torque > FIT_FROM * top) & (torque < 0.95 * top) & np.isfinite(angle)
        if turned:
            # On the way back friction holds the rotor at first, while the torque falls: that is no flank.
            steep &= angle < end - STUCK_SHARE * (end - angle[steep].min())
        fit = line_fit_without_spikes(torque[steep], angle[steep])
        ends.append(float(fit.coefficients[0]))
        us.append(fit.u(0))
    return float(np.mean(ends)), hypot(*us) / 2


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
    duration_s=10.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, torque_Nm: float | None = None) -> tuple[Measurement, ...]:
    """Measure the backlash of a joint: one `backlash`."""
    return run_procedure(DECLARATION, bench, joint, torque_Nm=torque_Nm)
