"""Breakaway torque: a slow torque ramp, both ways and at several angles, until the joint lets go.

The ramp is the torque cap itself: the set-point stands so far ahead that the drive always pushes with its cap. Half the
difference of the two torques at one angle is friction at rest; weight, ripple and the drive's zero of torque drop out.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench, Sample
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.fitting import line_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import of_joint, warmth, widest
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

ANGLES, REPEATS = 6, 1
RATE_NM_S = 0.15
MOST_NM = 1.5  # of torque change: three times what two directions of a sound joint need
LEAD_RAD, FULL_LEAD_NM = 0.05, 1.0  # how far ahead the set-point stands, growing with the torque up to this one
LET_GO_RAD = 3e-3
ROOM_RAD = 0.12  # from the outermost angles to the limits
ONSET_RAD = (3e-4, 2.5e-3)  # of motion, between which the beginning is extrapolated: five times the noise and more
APPROACH_RAD, APPROACH_RAD_S = 0.06, 0.3
CATCH_NM, CATCH_S = 0.3, 0.25


def move(bench: Bench, joint: JointDescription, angles: int = ANGLES, repeats: int = REPEATS) -> Recorded:
    """At every angle let the torque rise until the joint gives way, and let it sink until it does; `repeats` times."""
    at_least(DECLARATION.name, "angles", angles, 3)
    at_least(DECLARATION.name, "repeats", repeats, 1)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    arguments = {"angles": angles, "repeats": repeats}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        for angle in np.linspace(*widest(joint, ROOM_RAD), angles):
            pose = clear(bench.leg)
            pose[index] = angle
            for _ in range(repeats):
                for way, label in ((1, "rise"), (-1, "sink")):
                    # Come from the other side: friction then lies across the whole of the ramp.
                    bench.move_to(of_joint(pose, index, [angle + way * APPROACH_RAD])[0])
                    bench.move_to(pose, APPROACH_RAD_S)
                    bench.wait(0.2)
                    _ramp(bench, index, way, label)
    return taken(recording.result)


def _ramp(bench: Bench, index: int, way: int, label: str) -> None:
    """From the torque that holds, change it in one direction until the joint moves; then catch it where it is."""
    held = bench.sample()
    begin, here = held.torques_Nm[index], held.joints_rad[index]
    steps = round(MOST_NM / RATE_NM_S / (bench.period_ns * 1e-9))
    torque = begin + way * np.linspace(0.0, MOST_NM, steps)
    rows = of_joint(bench.demand_rad, index, here + LEAD_RAD * np.clip(torque / FULL_LEAD_NM, -1.0, 1.0))
    # From the set-point of the hold to the lead of the ramp in a few cycles: the torque stays the one that holds.
    rows[:20, index] += np.linspace(1.0, 0.0, 20) * (bench.demand_rad[index] - rows[0, index])
    caps = np.tile([j.torque_Nm for j in bench.leg.joints], (steps, 1))
    caps[:, index] = np.abs(torque)

    def let_go(sample: Sample) -> bool:
        return abs(sample.joints_rad[index] - here) > LET_GO_RAD

    bench.follow(rows, caps, label=label, until=let_go)
    _catch(bench, index)


def _catch(bench: Bench, index: int) -> None:
    """Bring the set-point back to where the joint is, with little torque, and only then give it all."""
    count = round(CATCH_S / (bench.period_ns * 1e-9))
    demand = bench.demand_rad
    rows = of_joint(demand, index, np.linspace(demand[index], bench.sample().joints_rad[index], count))
    full = np.array([j.torque_Nm for j in bench.leg.joints])
    caps = np.tile(full, (count, 1))
    caps[:, index] = np.linspace(bench.caps_Nm[index] + CATCH_NM, bench.caps_Nm[index] + 2 * CATCH_NM, count)
    bench.follow(rows, caps)
    bench.follow(np.tile(bench.demand_rad, (3, 1)), full)


class _Onset(NamedTuple):
    """The torque at which a joint began to move, and how much of it was extrapolated."""

    torque_Nm: float
    extrapolated_Nm: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Half the difference of the torques at which the joint let go upward and downward, mean over the angles."""
    joint = recorded.joint
    name = joint.name
    ups = [_onset(recorded, trace, 1) for trace in recorded.traces("rise")]
    downs = [_onset(recorded, trace, -1) for trace in recorded.traces("sink")]
    if None in ups or None in downs:
        invalid = f"the joint did not let go within {MOST_NM:g} N*m"
        return (measurement("breakaway_friction", name, np.nan, (), reference="internal", invalid=invalid),)
    pairs = [(up, down) for up, down in zip(ups, downs, strict=True) if up is not None and down is not None]
    repeated = np.array([(up.torque_Nm - down.torque_Nm) / 2 for up, down in pairs])
    by_angle = repeated.reshape(recorded.arguments["angles"], -1).mean(axis=1)
    value = float(by_angle.mean())
    early = float(np.mean([(abs(up.extrapolated_Nm) + abs(down.extrapolated_Nm)) / 2 for up, down in pairs]))
    budget = (
        repeats("friction over the angles", by_angle.tolist()),
        BudgetLine("torque from current", TORQUE_SCALE * abs(value), systematic=True),
        BudgetLine("beginning of the motion", early / 2 / sqrt(3), systematic=True),
        BudgetLine("torque resolution", joint.drive.rated_torque_Nm / 1000 / sqrt(12) / sqrt(2)),
    )
    spread = float(np.ptp(by_angle)) / value
    covariates = {"spread_over_angle": spread, **warmth(recorded)}
    return (measurement("breakaway_friction", name, value, budget, reference="internal", covariates=covariates),)


def _onset(recorded: Recorded, trace: Trace, way: int) -> _Onset | None:
    """Where the motion began: under a torque that grows evenly, the way grows as the cube of the time since."""
    name = recorded.joint.name
    position, torque = trace.column(f"{name}.position"), trace.column(f"{name}.torque")
    good = np.isfinite(position) & np.isfinite(torque)
    t, position, torque = trace.time_s[good], position[good], torque[good]
    if len(t) < 40:
        return None
    moved = way * (position - float(np.median(position[10:25])))
    late = np.flatnonzero(moved > ONSET_RAD[1])
    if not len(late):
        return None
    # The last stretch of motion that leads to the onset, without what the winding transmission gave before it.
    early = int(np.flatnonzero(moved[: late[0]] < ONSET_RAD[0])[-1]) + 1
    run = slice(early, late[0] + 1)
    seen = t[early]
    began = seen
    if late[0] + 1 - early >= 3:
        line = line_fit(t[run], np.cbrt(moved[run]))
        began = -float(line.coefficients[0] / line.coefficients[1])
    began = float(np.clip(began, seen - 0.25, seen))
    before = (t > t[0] + 0.1) & (t < seen)
    if before.sum() < 10:
        return None
    ramp = line_fit(t[before], torque[before])
    at, _ = ramp.at([1.0, began])
    return _Onset(at, float(ramp.coefficients[1]) * (seen - began))


DECLARATION = Declaration(
    name="breakaway",
    title="breakaway torque",
    method="the torque changes slowly until the joint lets go, both ways and at several angles; half the difference",
    quantities=("breakaway_friction",),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint at angles over all of its range",
    reference="internal: torque from current",
    duration_s=55.0,
    move=move,
    evaluate=evaluate,
)


def run(
    bench: Bench, joint: JointDescription, angles: int = ANGLES, repeats: int = REPEATS
) -> tuple[Measurement, ...]:
    """Measure the torque at which a joint lets go: one `breakaway_friction`."""
    return run_procedure(DECLARATION, bench, joint, angles=angles, repeats=repeats)
