"""A slow sweep over all of a joint's range, both ways: what depends on the direction, and what on the angle.

Up and down differ by friction; their mean is weight, ripple, and half the difference between the frictions of the two
directions. Weight is a sine of the joint angle, because all beyond the joint turns as one body, and can be told apart.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.orders import Orders, orders
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.passes import binned, constant_speed, of_joint, signals, warmth, widest
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

SPEED_RAD_S, PASSES = 0.2, 1
EDGE_RAD = 0.08  # left out at both ends
BIN_RAD = 0.004  # a fifth of the shortest period that is looked for
ORDERS = (6, 250)  # per turn; below, the arc holds too few periods, above, the samples are too far apart
OFF_S = 1.5  # without power: what the drive then reads as torque is its zero
WEIGHT_SHARE = 0.001  # of the weight, that is no sine of the angle because the other joints and the stand give way
LAG_SHARE = 0.03  # of a ripple, that the loop gives back late at this speed
POWERED_NM = 0.05  # a torque cap above this belongs to a powered leg


def move(bench: Bench, joint: JointDescription, passes: int = PASSES) -> Recorded:
    """Rest without power, then sweep from end to end and back, `passes` times."""
    at_least(DECLARATION.name, "passes", passes, 1)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    low, high = widest(joint)
    pose = clear(bench.leg)
    rows = of_joint(pose, index, constant_speed(low, high, SPEED_RAD_S, bench.period_ns * 1e-9))
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, passes=passes) as recording:
        bench.rest(OFF_S)
        with bench.energised():
            bench.move_to(rows[0])
            for _ in range(passes):
                bench.follow(rows, label="up")
                bench.follow(rows[::-1], label="down")
    return taken(recording.result)


class _Swept(NamedTuple):
    """Torques over the angle (bins,), and the drive's zero of torque with its standard uncertainty."""

    angle_rad: FloatArray
    rotor_rad: FloatArray
    up_Nm: FloatArray
    down_Nm: FloatArray
    zero_Nm: float
    u_zero_Nm: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Asymmetry from the constant part of the mean of both ways, ripple from its orders over the motor's angle."""
    swept = _swept(recorded)
    found = orders(swept.rotor_rad, (swept.up_Nm + swept.down_Nm) / 2, swept.angle_rad, range(*ORDERS))
    return (_asymmetry(recorded, swept, found), *_ripple(recorded, swept, found))


def _swept(recorded: Recorded) -> _Swept:
    name = recorded.joint.name
    passes = {way: recorded.traces(way) for way in ("up", "down")}
    first = recorded.joints(passes["up"][0])[:, recorded.joint_index()]
    low, high = np.nanmin(first) + EDGE_RAD, np.nanmax(first) - EDGE_RAD
    edges = np.linspace(low, high, round((high - low) / BIN_RAD) + 1)
    means = {}
    for way, traces in passes.items():
        read = [signals(recorded, trace, "torque", "position") for trace in traces]
        torques = [binned(angle, columns[:, 0], edges) for angle, columns in read]
        rotors = [binned(angle, columns[:, 1], edges) for angle, columns in read]
        means[way] = np.mean(torques, axis=0), np.mean(rotors, axis=0)
    centre = (edges[1:] + edges[:-1]) / 2
    good = np.isfinite(means["up"][0]) & np.isfinite(means["down"][0])
    cap = recorded.whole.column(f"{name}.torque_cap")
    torque = recorded.whole.column(f"{name}.torque")
    # The first rows have no set-point yet; unpowered, the current is nothing.
    begun = int(np.flatnonzero(cap > POWERED_NM)[0])
    off = torque[:begun][np.isfinite(torque[:begun])][: max(10, round(begun / 2))]
    rotor = (means["up"][1] + means["down"][1]) / 2
    u_zero = float(np.std(off, ddof=1)) / sqrt(len(off))
    up, down = means["up"][0][good], means["down"][0][good]
    return _Swept(centre[good], rotor[good], up, down, float(np.mean(off)), u_zero)


def _asymmetry(recorded: Recorded, swept: _Swept, found: Orders) -> Measurement:
    """Constant part of the mean torque, less the drive's zero, over friction."""
    joint, friction = recorded.joint, float(np.mean(swept.up_Nm - swept.down_Nm)) / 2
    constant = found.constant - swept.zero_Nm
    step = joint.drive.rated_torque_Nm / 1000 / sqrt(12) / sqrt(10)  # the noise of the readings spreads it out
    budget = (
        BudgetLine("what is left along the sweep", found.u_constant / friction, found.dof, "A"),
        BudgetLine("zero of the torque reading", float(np.hypot(swept.u_zero_Nm, step)) / friction),
        BudgetLine("weight that is no sine", WEIGHT_SHARE * found.sine / friction, systematic=True),
    )
    covariates = {"friction_Nm": friction, "torque_zero_Nm": swept.zero_Nm, **warmth(recorded)}
    return measurement(
        "friction_asymmetry", joint.name, constant / friction, budget, reference="internal", covariates=covariates
    )


def _ripple(recorded: Recorded, swept: _Swept, found: Orders) -> tuple[Measurement, Measurement]:
    joint, noise = recorded.joint, found.noise
    count = len(found.strong)
    rms = float(sqrt(sum(each.amplitude**2 for each in found.strong) / 2))
    first = found.strong[0]
    covariates = {"order_per_turn": float(first.order), "orders_found": float(count)}
    if count > 1:
        covariates |= {"second_order_per_turn": float(found.strong[1].order)}
    step = joint.drive.rated_torque_Nm / 1000 / sqrt(12) / sqrt(len(swept.angle_rad))
    return (
        measurement("torque_ripple", joint.name, rms, (
            BudgetLine("noise of the spectrum", noise, evaluation="A"),
            BudgetLine("lag of the loop at speed", LAG_SHARE * rms, systematic=True),
            BudgetLine("torque from current", TORQUE_SCALE * rms, systematic=True),
            BudgetLine("torque resolution", step),
        ), reference="internal", covariates=covariates),
        measurement("ripple_order", joint.name, first.amplitude, (
            BudgetLine("noise of the spectrum", noise * sqrt(2), evaluation="A"),
            BudgetLine("lag of the loop at speed", LAG_SHARE * first.amplitude, systematic=True),
            BudgetLine("torque from current", TORQUE_SCALE * first.amplitude, systematic=True),
            BudgetLine("torque resolution", step),
        ), reference="internal", covariates=covariates),
    )  # fmt: skip


DECLARATION = Declaration(
    name="slow sweep",
    title="direction asymmetry and torque ripple",
    method="the joint sweeps slowly over its range, both ways; the mean of the torques is split into weight and orders",
    quantities=("friction_asymmetry", "torque_ripple", "ripple_order"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint over all of its range",
    reference="internal: torque from current",
    duration_s=35.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, passes: int = PASSES) -> tuple[Measurement, ...]:
    """Measure direction asymmetry and torque ripple of a joint; see DECLARATION.quantities."""
    return run_procedure(DECLARATION, bench, joint, passes=passes)
