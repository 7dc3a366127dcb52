"""Drop and landing: the carriage is let go a little above the floor, and the leg, held by its loops, catches it.

The leg lifts its own carriage into a hook and draws its foot up; a person pulls the hook's cord out of reach. Nobody
touches the leg while it has power. This is an impact: bumpers, catch and fence belong to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import LegDescription
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.kinematics import foot_of_joints, jacobian, joints_of_foot
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.home_shift import home_shifts, touch_all
from legtest.procedures.posture import G
from legtest.procedures.readings import readings
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

LANDING_SHARE = 0.85  # length of the leg when it lands, of the straight one; it stands folded at 0.8
MOST_M, DROPS = 0.020, 3
OVER_M = 0.006  # how far beyond the hook the carriage is lifted
SPEED_M_S = 0.05
FALL_S, SETTLED_S = 1.2, 0.25
PLAY_M = 1e-3  # half width of what play and wind-up, which the encoders do not see, take of the foot's way to the floor
PEAK_SHARE = 0.03  # half width of what the largest sample may miss of a peak of a tenth of a second
LENGTH_U = 2e-3  # relative: lengths of the drawing, zero of the joints
HEIGHT = "rail_height"


def landing_pose(leg: LegDescription, foot_m: FloatArray) -> FloatArray:
    """Joint angles with the foot straight below where it stood, the leg at its landing length."""
    foot = np.array(foot_m, float)
    foot[2] = -LANDING_SHARE * (leg.geometry.thigh_m + leg.geometry.shank_m)
    return joints_of_foot(leg, foot)


def allowed_drop_m(leg: LegDescription, speeds_rad_s: Sequence[float]) -> float:
    """The drop after which no joint is faster than its limit, when the foot stops and the carriage does not."""
    q = landing_pose(leg, np.array([0.0, leg.geometry.hip_offset_m, 0.0]))
    # The foot stays below the hip: joint speeds are those that shorten the leg straight.
    turned = np.abs(np.linalg.lstsq(jacobian(leg, q), np.array([0.0, 0.0, 1.0]), rcond=None)[0])
    fastest = min(limit / speed for limit, speed in zip(speeds_rad_s, turned, strict=True) if speed > 1e-6)
    return float(fastest**2 / (2 * G))


def move(bench: Bench, drop_m: float | None = None, drops: int = DROPS) -> Recorded:
    """Touch the home stops, drop several times, touch them again.

    drop_m: None = as high as the speed limits allow, 20 mm at most. Raises UsageError for a drop that they do not
    allow, NotRun without height gauge or hook.
    """
    at_least(DECLARATION.name, "drops", drops, 2)
    allowed = min(MOST_M, allowed_drop_m(bench.leg, bench.speed_rad_s))
    drop_m = allowed if drop_m is None else drop_m
    if not 0 < drop_m <= allowed:
        raise UsageError(
            f"{DECLARATION.name}: drop_m={drop_m}: above 0 and up to {allowed:.4f} m, where the speed limits of this "
            "leg on this bench end"
        )
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    with bench.recording(DECLARATION.name, None, DECLARATION.method, drop_m=drop_m, drops=drops) as recording:
        bench.rest(0.2)
        bench.read(HEIGHT)  # without an instrument it ends here
        with bench.energised():
            touch_all(bench)
        bench.arrange(SetUp.STANDING)
        bench.rest(0.2)
        resting = foot_of_joints(bench.leg, bench.sample().joints_rad)
        landing = foot_of_joints(bench.leg, landing_pose(bench.leg, resting))
        with bench.energised():  # how high the hip is over the foot when the leg carries its carriage
            bench.follow(_line(bench, resting, landing), label="stand up")
            bench.wait(SETTLED_S)
            height = bench.read(HEIGHT).value + float(foot_of_joints(bench.leg, bench.sample().joints_rad)[2])
            bench.follow(_line(bench, landing, resting), label="sit down")
        bench.set_hook(height - float(landing[2]) + drop_m)
        with bench.energised():
            for _ in range(drops):
                _drop(bench, landing, drop_m)
            # Back to where the carriage rests on its block.
            bench.follow(_line(bench, landing, resting), label="sit down")
        bench.arrange(SetUp.CLAMPED)
        with bench.energised():
            touch_all(bench)
    return taken(recording.result)


def _drop(bench: Bench, landing: FloatArray, drop_m: float) -> None:
    start = foot_of_joints(bench.leg, bench.demand_rad)
    up = landing - np.array([0.0, 0.0, drop_m + OVER_M])
    bench.follow(_line(bench, start, up), label="lift")
    bench.follow(_line(bench, up, landing), label="draw up")
    bench.wait(SETTLED_S, "hung")
    bench.read(HEIGHT)
    bench.pull_hook()
    bench.wait(FALL_S, "fall")
    bench.read(HEIGHT)


def _line(bench: Bench, start: FloatArray, end: FloatArray) -> FloatArray:
    count = max(2, round(float(np.linalg.norm(end - start)) / SPEED_M_S / (bench.period_ns * 1e-9)) + 1)
    return joints_of_foot(bench.leg, start + np.linspace(0.0, 1.0, count)[:, None] * (end - start))


class Landing(NamedTuple):
    """One landing. compression_m: largest shortening; rebound: how far it goes
    beyond where it comes to rest, over the compression; settled_m: length it comes to rest at."""

    compression_m: float
    rebound: float
    settled_m: float
    between_m: float


def landing(length_m: FloatArray, before_m: float, settled_rows: int) -> Landing:
    """Figures of the leg's length over time (rows,) that was `before_m` in the air and rests for its last rows."""
    settled = float(length_m[-settled_rows:].mean())
    low = int(np.argmin(length_m))
    highest = float(length_m[low:].max())
    i = int(np.clip(low, 1, len(length_m) - 2))
    # A minimum may lie below its lowest sample by an eighth of the curvature there.
    between = abs(float(length_m[i - 1] - 2 * length_m[i] + length_m[i + 1])) / 8
    deepest = float(length_m[low])
    return Landing(before_m - deepest, (highest - settled) / (before_m - deepest), settled, between)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Means over the drops of peak torque, compression and rebound; then how far each home stop moved."""
    leg = recorded.leg
    rows = round(SETTLED_S / (recorded.timing.period_ns * 1e-9))
    falls, hung = recorded.traces("fall"), [float(_length(recorded, t).mean()) for t in recorded.traces("hung")]
    found = [landing(_length(recorded, trace), before, rows) for trace, before in zip(falls, hung, strict=True)]
    peaks = np.array([_peak(recorded, trace) for trace in falls])
    heights = [reading.value for reading in readings(recorded, HEIGHT)[2:]]
    u_height = readings(recorded, HEIGHT)[0].u
    # Fall of the carriage less what the leg gave way at rest: the foot's way to the floor.
    fallen = [a - b - (before - each.settled_m)
              for a, b, before, each in zip(heights[::2], heights[1::2], hung, found, strict=True)]  # fmt: skip
    drop = float(np.mean(fallen))
    timing = recorded.timing
    wrong = [] if not timing.missed else [f"{timing.missed} control cycles were left out"]
    if abs(drop - recorded.arguments["drop_m"]) > 0.35 * recorded.arguments["drop_m"]:
        wrong.append(f"the foot fell {drop * 1e3:.1f} mm, not {recorded.arguments['drop_m'] * 1e3:g} mm")
    covariates = {"drop_m": drop, "asked_drop_m": recorded.arguments["drop_m"], "drops": float(len(found))}
    covariates["peak_torque_Nm"] = float(peaks.max())
    # Speed at the floor goes with the root of the height: by half of what the height is wrong, the figures are.
    asked = recorded.arguments["drop_m"]
    to_asked = 1 + 0.5 * (asked / drop - 1) if drop > asked / 4 else 1.0
    by_height = float(np.hypot(u_height * sqrt(2 / len(found)), PLAY_M / sqrt(3))) / (2 * asked)
    shares = to_asked * (peaks / np.array([joint.torque_Nm for joint in leg.joints])).max(axis=1)
    figures = (
        ("landing_torque", "leg", shares, (
            BudgetLine("torque from current", TORQUE_SCALE * float(shares.mean()), systematic=True),
            BudgetLine("largest of the samples", PEAK_SHARE * float(shares.mean()) / sqrt(3)),
        )),
        ("landing_compression", "leg", to_asked * np.array([each.compression_m for each in found]), (
            BudgetLine("between two samples", max(each.between_m for each in found) / sqrt(3)),
            BudgetLine("lengths and zero of the drawing", LENGTH_U * hung[0] / 10, systematic=True),
        )),
        ("landing_rebound", "leg", np.array([each.rebound for each in found]), (
            BudgetLine("noise of the encoders", 2 * _step(leg) / max(each.compression_m for each in found)),
            BudgetLine("friction left by the landing", 0.02 / sqrt(3)),
        )),
    )  # fmt: skip
    made = [
        measurement(name, subject, float(values.mean()), (
            repeats("drops", values.tolist()), *lines,
            BudgetLine("height of the drop", by_height * abs(float(values.mean()))),
        ), reference="external" if name == "landing_compression" else "internal", covariates=covariates,
            invalid="; ".join(wrong))
        for name, subject, values, lines in figures
    ]  # fmt: skip
    return (*made, *home_shifts(recorded))


def _length(recorded: Recorded, trace: Trace) -> FloatArray:
    """From hip to foot, m, by the encoders; rows with gaps left out."""
    angle = recorded.joints(trace)
    known = angle[np.isfinite(angle).all(axis=1)]
    return np.asarray(np.linalg.norm(foot_of_joints(recorded.leg, known), axis=1), float)


def _peak(recorded: Recorded, trace: Trace) -> FloatArray:
    return np.asarray(np.nanmax(np.abs(recorded.actuators(trace, "torque")), axis=0), float)


def _step(leg: LegDescription) -> float:
    step = max(2 * np.pi / joint.drive.counts_per_turn for joint in leg.joints)
    return float(step * (leg.geometry.thigh_m + leg.geometry.shank_m))


DECLARATION = Declaration(
    name="drop",
    title="drop and landing",
    method="the carriage is let go a little above the floor; peak torque, compression and rebound, then the home stops",
    quantities=("landing_torque", "landing_compression", "landing_rebound", "home_shift"),
    per_joint=False,
    setups=(SetUp.CLAMPED, SetUp.STANDING),
    energy_class=3,
    posture="hanging from the hook, the leg at 0.85 of its length",
    reference="external: height gauge and end stops; internal: torque from current",
    duration_s=100.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, drop_m: float | None = None, drops: int = DROPS) -> tuple[Measurement, ...]:
    """Let the leg land, and measure it: three figures of the landing, and `home_shift` of every joint after it."""
    return run_procedure(DECLARATION, bench, drop_m=drop_m, drops=drops)
