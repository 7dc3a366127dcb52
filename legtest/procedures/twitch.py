"""Twitch: each motor in turn moves a little, the others limp; does only this one move, and the way its torque says.

Sees an encoder that also counts its neighbour's motion, a torque reading of the wrong sign, bits that stick. Does not
see two whole drives that were exchanged with motor and encoder, nor a joint that turns the other way with both its
torque and its encoder reversed: travel, the end stops and the sign-off's moving by hand tell those.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

TURN_RAD, SPEED_RAD_S, TWITCHES = 0.06, 0.3, 4
INSIDE = 0.6  # share of the way that is evaluated: at its ends play is crossed
PAUSE_S = 0.2
UNLIKELY = 1e-6  # that a sound bit does not change in a hundred readings that should change it


def move(bench: Bench, twitches: int = TWITCHES) -> Recorded:
    """Each motor forth and back at constant speed, capped at its homing torque; the others have no torque at all."""
    at_least(DECLARATION.name, "twitches", twitches, 3)
    bench.arrange(SetUp.CLAMPED)
    joints = bench.leg.joints
    ramp = np.arange(-TURN_RAD, TURN_RAD, SPEED_RAD_S * bench.period_ns * 1e-9)
    up = np.append(ramp, TURN_RAD)
    with (
        bench.recording(DECLARATION.name, None, DECLARATION.method, speed_rad_s=SPEED_RAD_S) as recording,
        bench.energised(),
    ):
        rest, full = bench.demand_rad, np.array(bench.caps_Nm)
        for index, joint in enumerate(joints):
            turned = np.array(bench.leg.coupling)[:, index]
            caps = np.zeros(len(joints))
            caps[index] = joint.home.torque_Nm
            start = np.outer(np.linspace(0.0, up[0], len(up) // 2), turned)
            bench.follow(rest + start, caps)
            for _ in range(twitches):
                bench.follow(rest + np.outer(up, turned), caps, label=f"{joint.name} up")
                bench.follow(rest + np.outer(up[::-1], turned), caps, label=f"{joint.name} down")
            bench.follow(rest + start[::-1], caps)
            bench.follow(np.tile(rest, (round(PAUSE_S * 1e9 / bench.period_ns), 1)), np.minimum(full, _homing(bench)))
    return taken(recording.result)


def _homing(bench: Bench) -> FloatArray:
    return np.array([joint.home.torque_Nm for joint in bench.leg.joints])


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Motion of the others over its own; half the difference of torque up and down; bits that never change."""
    found: list[Measurement] = []
    for index, joint in enumerate(recorded.leg.joints):
        ups, downs = (recorded.traces(f"{joint.name} {way}") for way in ("up", "down"))
        found += [_stray(recorded, index, joint, ups), _torque(recorded, index, joint, ups, downs)]
        found.append(_stuck(joint, [*ups, *downs]))
    return tuple(found)


def _stray(recorded: Recorded, index: int, joint: JointDescription, ups: list[Trace]) -> Measurement:
    """Each other motor against the moved one, by a straight line over each way up: what merely sways drops out."""
    shares = []
    for trace in ups:
        angles = recorded.actuators(trace)
        angles = angles[np.isfinite(angles).all(axis=1)]
        own = angles[:, index] - angles[:, index].mean()
        slopes = (angles - angles.mean(axis=0)).T @ own / (own @ own)
        shares.append(np.delete(slopes, index))
    slopes = np.array(shares)
    worst = int(np.argmax(np.abs(slopes.mean(axis=0))))
    count = 2 * np.pi / joint.drive.counts_per_turn
    budget = (
        repeats("twitches", slopes[:, worst].tolist()),
        BudgetLine("encoder resolution", count / np.sqrt(12) / TURN_RAD),
    )
    value = float(abs(slopes[:, worst].mean()))
    return measurement("stray_motion", joint.name, value, budget, reference="internal")


def _torque(
    recorded: Recorded, index: int, joint: JointDescription, ups: list[Trace], downs: list[Trace]
) -> Measurement:
    def middle(trace: Trace) -> float:
        angle, torque = recorded.actuators(trace)[:, index], trace.column(f"{joint.name}.torque")
        low, high = np.nanmin(angle), np.nanmax(angle)
        inside = np.abs(angle - (low + high) / 2) < INSIDE * (high - low) / 2
        return float(np.nanmedian(torque[inside]))

    halves = [(middle(up) - middle(down)) / 2 for up, down in zip(ups, downs, strict=True)]
    value = float(np.mean(halves))
    budget = (
        repeats("twitches", halves),
        BudgetLine("torque resolution", joint.drive.rated_torque_Nm / 1000 / np.sqrt(12)),
        BudgetLine("torque from current", TORQUE_SCALE * abs(value), systematic=True),
    )
    covariates = {"speed_rad_s": float(recorded.arguments["speed_rad_s"])}
    return measurement("motion_torque", joint.name, value, budget, reference="internal", covariates=covariates)


def _stuck(joint: JointDescription, traces: list[Trace]) -> Measurement:
    """Of the bits that the way must have changed many times: those of a quarter of it and less."""
    angle = np.concatenate([trace.column(f"{joint.name}.position") for trace in traces])
    counts = np.rint(angle[np.isfinite(angle)] * joint.drive.counts_per_turn / (2 * np.pi)).astype(np.int64)
    watched = max(1, int(np.log2(max(np.ptp(counts), 4) / 4)))
    still = [bit for bit in range(watched) if np.ptp(counts >> bit & 1) == 0]
    return measurement(
        "stuck_bits", joint.name, len(still), (BudgetLine("sound bits that did not change", UNLIKELY),),
        reference="internal", covariates={"watched_bits": watched},
    )  # fmt: skip


DECLARATION = Declaration(
    name="twitch",
    title="node order, direction and stuck bits",
    method="each motor moves a little both ways, the others limp; who moves, with what torque, which bits change",
    quantities=("stray_motion", "motion_torque", "stuck_bits"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=1,
    posture="hanging, where the leg rests",
    reference="internal: the drives' encoders and torque from current",
    duration_s=24.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, twitches: int = TWITCHES) -> tuple[Measurement, ...]:
    """Twitch every motor: `stray_motion`, `motion_torque` and `stuck_bits` of each joint's."""
    return run_procedure(DECLARATION, bench, twitches=twitches)
