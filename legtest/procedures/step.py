"""Step response of a joint's position loop: rise, overshoot and settling, of a small step and of a large one.

A step is as steep as the leg's speed limit lets it be: one control period for the small one, a short ramp for the large
one. Both begin the clock where the set-point begins to move.
"""

from __future__ import annotations

from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.steps import StepResponse, step_response
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

SIZES_RAD = {"small": 0.01, "large": 0.1}
REPEATS = 8  # of each step, each way
SPEED_SHARE = 0.9  # of the speed limit, for the flank
HOLD_S = 0.4
END_S = 0.1  # at the end of the hold, where the joint rests
BAND, EDGE = 0.02, 0.004  # of the step: where it has settled, and by how much noise may move the edge of that
FRICTION_LEFT_RAD = 3e-4  # half width of what friction, left otherwise by another step before, changes
READING_AGE_S = 0.3e-3  # how old a reading may be when the drive takes it for SYNC's; rectangular, common practice
NAMES = {"small": "step", "large": "large_step"}


def flank(size_rad: float, speed_rad_s: float, period_s: float) -> FloatArray:
    """One step (rows,): from 0 to its size at a speed, then held."""
    rise = max(1, ceil(size_rad / speed_rad_s / period_s - 1e-9))
    return np.concatenate([np.linspace(0.0, size_rad, rise + 1), np.full(round(HOLD_S / period_s), size_rad)])


def move(bench: Bench, joint: JointDescription, repeats: int = REPEATS) -> Recorded:
    """Step up and down in the middle of the joint's hanging range, small steps first."""
    at_least(DECLARATION.name, "repeats", repeats, 4)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    pose = middle(bench.leg, joint, max(SIZES_RAD.values()))
    speed = SPEED_SHARE * bench.speed_rad_s[index]
    arguments = {"pose_rad": pose.tolist(), "speed_rad_s": speed, "repeats": repeats}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        bench.move_to(pose)
        for name, size in SIZES_RAD.items():
            profile = flank(size, speed, bench.period_ns * 1e-9)
            rows = np.tile(pose, (len(profile), 1))
            rows[:, index] += profile
            back = np.tile(pose, (len(profile), 1))
            back[:, index] += size - profile
            for _ in range(repeats):
                bench.follow(rows, label=f"{name} up")
                bench.follow(back, label=f"{name} down")
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Figures of the mean response of each way, mean of both ways; repeats by leaving one out at a time."""
    found: list[Measurement] = []
    for name, size in SIZES_RAD.items():
        found += _of_size(recorded, name, size)
    return tuple(found)


def _of_size(recorded: Recorded, name: str, size: float) -> list[Measurement]:
    ways = [_responses(recorded, recorded.traces(f"{name} {way}")) for way in ("up", "down")]
    period_s = recorded.timing.period_ns * 1e-9
    t = np.arange(ways[0].shape[1], dtype=np.float64) * period_s
    value, scatter = figures(t, ways), _scatter(t, ways)
    coarse = _mean([step_response(t, way.mean(axis=0), band=BAND, parts=1) for way in ways])
    noise, speed = _noise(ways), recorded.arguments["speed_rad_s"]
    left = FRICTION_LEFT_RAD / size / sqrt(3)
    edge = EDGE + 3 * noise + left
    early, late = figures(t, ways, band=BAND + edge), figures(t, ways, band=max(BAND - edge, BAND / 4))
    clock = recorded.timing.lateness_p99_ns * 1e-9 / sqrt(3)
    spans = (size / recorded.arguments["speed_rad_s"], *_torque(recorded, name))
    covariates = dict(zip(("flank_s", "largest_torque_Nm", "amplitude_rad"), (*spans, size), strict=True))
    dof, joint = 2 * (len(ways[0]) - 1), recorded.joint.name
    reasons = _reasons(recorded, ways)
    lines = {
        "rise": (
            BudgetLine("host timing", clock * sqrt(2)),
            BudgetLine("a rise of few samples", 0.2 * period_s / sqrt(3) if size < 2 * speed * period_s else 0.0),
            BudgetLine("friction left by the step before", abs(value[0]) * left),
        ),
        "overshoot": (
            BudgetLine("rest at the end", _rest(ways)),
            BudgetLine("largest of many samples", 3 * noise / sqrt(3)),
            BudgetLine("friction left by the step before", left),
        ),
        "settling": (
            BudgetLine("host timing", clock),
            BudgetLine("age of a reading", READING_AGE_S / sqrt(3), systematic=True),
            BudgetLine("edge of the band", abs(early[2] - late[2]) / sqrt(3)),
        ),
    }
    made = []
    for i, (figure, more) in enumerate(lines.items()):
        usable = bool(np.isfinite([value[i], scatter[i], coarse[i]]).all())
        budget = (
            BudgetLine("repeats", scatter[i], dof, "A"),
            BudgetLine("between two samples", abs(value[i] - coarse[i]) / sqrt(3)),
            *(line for line in more if np.isfinite(line.u)),
        ) if usable else ()  # fmt: skip
        why = reasons if usable else reasons or f"the {name} step does not come to rest at its end"
        made.append(measurement(f"{NAMES[name]}_{figure}", joint, value[i], budget, reference="internal",
                                covariates=covariates, invalid=why))  # fmt: skip
    return made


def figures(t_s: FloatArray, ways: list[FloatArray], band: float = BAND) -> tuple[float, float, float]:
    """Rise (s), overshoot, settling (s) of scaled responses (repeats, rows) each way; mean of the ways."""
    return _mean([step_response(t_s, way.mean(axis=0), band=band) for way in ways])


def _mean(found: list[StepResponse]) -> tuple[float, float, float]:
    rise, overshoot, settling = np.mean([(f.rise_s, f.overshoot, f.settling_s) for f in found], axis=0)
    return float(rise), float(overshoot), float(settling)


def _scatter(t: FloatArray, ways: list[FloatArray]) -> tuple[float, ...]:
    """Standard uncertainty of each figure from the repeats (jackknife)."""
    n = len(ways[0])
    left = np.array([figures(t, [np.delete(way, i, axis=0) for way in ways]) for i in range(n)])
    return tuple(float(x) for x in np.sqrt((n - 1) / n * ((left - left.mean(axis=0)) ** 2).sum(axis=0)))


def _responses(recorded: Recorded, traces: list[Trace]) -> FloatArray:
    """Each repeat (repeats, rows) on the control period's grid from the beginning of its flank, scaled to 0 .. 1."""
    index, period_s = recorded.joint_index(), recorded.timing.period_ns * 1e-9
    rows = round(HOLD_S / period_s)
    last = round(END_S / period_s)
    responses = []
    for trace in traces:
        command, angle = (recorded.joints(trace, what)[:, index] for what in ("setpoint", "position"))
        known = np.isfinite(command)
        at = int(np.argmax(known & (np.abs(command - command[known][0]) > 1e-4)))
        t = trace.time_s - trace.time_s[at - 1]
        good = np.isfinite(angle)
        sampled = np.interp(np.arange(rows) * period_s, t[good], angle[good])
        start, end = float(np.mean(angle[good & (t <= 0)])), float(np.mean(sampled[-last:]))
        responses.append((sampled - start) / (end - start))
    return np.array(responses)


def _rest(ways: list[FloatArray]) -> float:
    """Standard uncertainty of the scale from where the joint rested: its spread over the repeats' ends."""
    ends = np.concatenate([way[:, -5:].std(axis=1) for way in ways])
    return float(ends.mean() / sqrt(len(ends)))


def _noise(ways: list[FloatArray]) -> float:
    """Standard deviation of one sample of a mean response, from its second differences at rest."""
    return float(np.mean([np.std(np.diff(way.mean(axis=0)[-25:], 2)) / sqrt(6) for way in ways]))


def _torque(recorded: Recorded, name: str) -> tuple[float]:
    column = f"{recorded.joint.name}.torque"
    traces = [t for way in ("up", "down") for t in recorded.traces(f"{name} {way}")]
    return (float(max(np.nanmax(np.abs(t.column(column))) for t in traces)),)


def _reasons(recorded: Recorded, ways: list[FloatArray]) -> str:
    timing, joint = recorded.timing, recorded.joint
    if timing.missed:
        return f"{timing.missed} control cycles were left out"
    most = max(_torque(recorded, name)[0] for name in SIZES_RAD)
    return f"the torque reached {most:.1f} N*m of {joint.torque_Nm:g} N*m" if most > 0.95 * joint.torque_Nm else ""


DECLARATION = Declaration(
    name="step response",
    title="step response of a joint",
    method="the joint's set-point jumps up and down, as steeply as its speed limit allows; mean of the repeats",
    quantities=("step_rise", "step_overshoot", "step_settling",
                "large_step_rise", "large_step_overshoot", "large_step_settling"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: the drive's encoder and the host's clock",
    duration_s=20.0,
    move=move,
    evaluate=evaluate,
)  # fmt: skip


def run(bench: Bench, joint: JointDescription, repeats: int = REPEATS) -> tuple[Measurement, ...]:
    """Measure how a joint answers a step: rise, overshoot, settling of a small and of a large one."""
    return run_procedure(DECLARATION, bench, joint, repeats=repeats)
