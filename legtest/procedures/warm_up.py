"""Warm-up: the joint swings on the same arc for minutes; how much its drag changes, and when it has settled.

Tells how long to move a leg before friction, torque and tracking are measured. Sees stiff grease and new seals. Does
not see what changes over hours, nor with the weather: temperature stands beside every figure of friction.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import linear_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

ARC_RAD, SPEED_RAD_S, SWINGS = 0.4, 1.5, 60
INSIDE = 0.6  # share of the arc that is evaluated
SETTLED = 0.02  # of the drag: nearer counts as settled
LEAST_TIME, MOST_TIME = 0.08, 0.6  # of the whole, between which a time constant can be told
UNLIKE = 0.005  # of the drag: what friction over angle and noise may do that is no warming up


def move(bench: Bench, joint: JointDescription, swings: int = SWINGS) -> Recorded:
    """Swing about the middle of the joint's hanging range at constant speed, without a pause."""
    at_least(DECLARATION.name, "swings", swings, 12)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    centre = middle(bench.leg, joint, ARC_RAD)
    index = bench.leg.joint_names.index(joint.name)
    rows = np.tile(centre, (round(2 * np.pi * ARC_RAD / SPEED_RAD_S * 1e9 / bench.period_ns), 1))
    phase = np.linspace(0.0, 2 * np.pi, len(rows))
    rows[:, index] += ARC_RAD * np.sin(phase)
    with (
        bench.recording(DECLARATION.name, joint.name, DECLARATION.method, centre_rad=float(centre[index])) as recording,
        bench.energised(),
    ):
        bench.move_to(centre)
        bench.follow(rows, label="first swing")  # begins with a jump of the speed
        for _ in range(swings):
            bench.follow(rows, label="swing")
    return taken(recording.result)


class _Settling(NamedTuple):
    """Drag in the beginning over that in the end, less one; its u; when it is settled, s; its u."""

    change: float
    u_change: float
    time_s: float
    u_time_s: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """drag = settled + first exp(-t / T), T from a table by least squares; settled where the rest is below SETTLED.

    t counts from the beginning of the first swing.
    """
    joint, traces = recorded.joint, recorded.traces("swing")
    drag = np.array([_drag(recorded, number) for number in range(len(traces))])
    time = np.array([float(np.mean(trace.time_s)) for trace in traces]) - traces[0].time_s[0]
    found = _settling(time, drag)
    period = float(np.median(np.diff(time)))
    covariates = {"swings": float(len(drag)), "settled_Nm": float(np.median(drag[-len(drag) // 4 :]))}
    return (
        measurement(
            "warm_up_change", joint.name, found.change, (
                BudgetLine("fit", found.u_change, len(drag) - 3, "A"),
                BudgetLine("changes that are no warming up", UNLIKE),
            ), reference="internal", covariates=covariates,
        ),
        measurement(
            "warm_up_time", joint.name, found.time_s, (
                BudgetLine("fit", found.u_time_s, len(drag) - 3, "A"), BudgetLine("one swing", period / np.sqrt(12)),
            ), reference="internal", covariates=covariates,
        ),
    )  # fmt: skip


def _drag(recorded: Recorded, number: int) -> float:
    """Half the difference of the torques up and down in the middle of the arc; the leg's weight drops out."""
    trace, index = recorded.traces("swing")[number], recorded.joint_index()
    angle = recorded.joints(trace)[:, index] - recorded.arguments["centre_rad"]
    torque = trace.column(f"{recorded.joint.name}.torque")
    up = np.gradient(recorded.joints(trace, "setpoint")[:, index]) > 0
    inside = np.abs(angle) < INSIDE * ARC_RAD
    return float(np.nanmean(torque[inside & up]) - np.nanmean(torque[inside & ~up])) / 2


def _settling(time: FloatArray, drag: FloatArray) -> _Settling:
    whole = float(time[-1])
    best, tau = None, 0.0
    for each in np.geomspace(LEAST_TIME * whole, MOST_TIME * whole, 60):
        fit = linear_fit(np.column_stack([np.ones_like(time), np.exp(-time / each)]), drag)
        if best is None or fit.residuals @ fit.residuals < best.residuals @ best.residuals:
            best, tau = fit, float(each)
    if best is None:
        raise ValueError("no swings")
    settled, first = (float(c) for c in best.coefficients)
    change, u_change = first / settled, best.u(1) / abs(settled)
    if abs(change) < SETTLED:
        return _Settling(change, u_change, 0.0, tau * u_change / SETTLED)
    # The time constant is a parameter like the others: its column is the derivative of the curve by it.
    e = np.exp(-time / tau)
    full = linear_fit(np.column_stack([np.ones_like(time), e, first * time / tau**2 * e]), drag)
    u_change, u_tau = full.u(1) / abs(settled), min(tau, full.u(2))
    swings = float(np.log(abs(change) / SETTLED))
    return _Settling(change, u_change, tau * swings, float(np.hypot(tau * u_change / abs(change), u_tau * swings)))


DECLARATION = Declaration(
    name="warm-up",
    title="warming up",
    method="the joint swings on one arc for minutes; drag of each swing, fitted by an exponential",
    quantities=("warm_up_change", "warm_up_time"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: torque from current, of which only the change counts",
    duration_s=125.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, swings: int = SWINGS) -> tuple[Measurement, ...]:
    """Swing a joint until it is warm: `warm_up_change` and `warm_up_time`."""
    return run_procedure(DECLARATION, bench, joint, swings=swings)
