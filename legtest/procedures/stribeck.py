"""Stribeck part of running friction: one short arc at very slow and faster speeds, both ways; a curve over speed."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.friction_curve import friction_curve
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import RUN_UP_S, binned, constant_speed, of_joint, signals, warmth
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

SPEEDS_RAD_S = (0.015, 0.03, 0.05, 0.08, 0.13, 0.25, 0.5, 1.0)
ARC_RAD = 0.06  # half of the arc that is evaluated
BINS = 12
LAG_NM = 2e-4  # of ripple that is not quite the same both ways


def move(bench: Bench, joint: JointDescription, speeds_rad_s: tuple[float, ...] = SPEEDS_RAD_S) -> Recorded:
    """Run over the arc forth and back, each time faster."""
    at_least(DECLARATION.name, "number of speeds", len(set(speeds_rad_s)), 6)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index, period_s = bench.leg.joint_names.index(joint.name), bench.period_ns * 1e-9
    reach = ARC_RAD + RUN_UP_S * max(speeds_rad_s)
    centre = middle(bench.leg, joint, reach)
    arguments = {"speeds_rad_s": list(speeds_rad_s), "centre_rad": float(centre[index])}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        for speed in speeds_rad_s:
            half = ARC_RAD + max(0.01, RUN_UP_S * speed)
            sweep = constant_speed(centre[index] - half, centre[index] + half, speed, period_s)
            rows = of_joint(centre, index, sweep)
            bench.move_to(rows[0])
            bench.follow(rows, label=f"{speed:g} up")
            bench.follow(rows[::-1], label=f"{speed:g} down")
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Friction at each speed = (torque up - torque down) / 2 over the arc; the part that is lost with speed."""
    joint, speeds = recorded.joint, [float(s) for s in recorded.arguments["speeds_rad_s"]]
    friction = [_friction(recorded, speed) for speed in speeds]
    curve = friction_curve(speeds, friction)
    covariates = {
        "coulomb_Nm": curve.coulomb,
        "viscous_Nms_per_rad": curve.viscous,
        "stribeck_speed_rad_s": curve.stribeck,
        **warmth(recorded),
    }
    budget = (
        BudgetLine("curve over speed", curve.u_extra, curve.dof, "A"),
        BudgetLine("ripple unlike both ways", LAG_NM),
        BudgetLine("torque from current", TORQUE_SCALE * abs(curve.extra), systematic=True),
        BudgetLine("torque resolution", joint.drive.rated_torque_Nm / 1000 / sqrt(12) / sqrt(BINS)),
    )
    return (
        measurement(
            "stribeck_friction", joint.name, curve.extra, budget, reference="internal", covariates=covariates
        ),
    )


def _friction(recorded: Recorded, speed: float) -> float:
    edges = recorded.arguments["centre_rad"] + np.linspace(-ARC_RAD, ARC_RAD, BINS + 1)
    up, down = (
        binned(angle, columns[:, 0], edges)
        for angle, columns in (
            signals(recorded, recorded.trace(f"{speed:g} {way}"), "torque") for way in ("up", "down")
        )
    )
    return float(np.nanmean(up - down)) / 2


DECLARATION = Declaration(
    name="Stribeck friction",
    title="Stribeck part of running friction",
    method="a short arc at very slow and faster speeds, both ways; half the difference of torques, a curve over speed",
    quantities=("stribeck_friction",),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: torque from current",
    duration_s=50.0,
    move=move,
    evaluate=evaluate,
)


def run(
    bench: Bench, joint: JointDescription, speeds_rad_s: tuple[float, ...] = SPEEDS_RAD_S
) -> tuple[Measurement, ...]:
    """Measure how much friction a joint loses once it turns: one `stribeck_friction`."""
    return run_procedure(DECLARATION, bench, joint, speeds_rad_s=speeds_rad_s)
