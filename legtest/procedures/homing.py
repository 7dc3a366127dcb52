"""Homing against end stops, and how well it repeats.

Every joint in turn is pressed against its home stop at low torque; the other joints hold with their full torque (a belt
pushes its neighbour). All encoders are read at the same instant, the unpowered drives are told where they are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.errors import MeasurementInvalid
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.positioning import pose_repeatability
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.contact import back_off, contacts, press
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

CYCLES = 20
BACK_OFF_RAD = 0.12
STILL_RAD = 0.001
SETTLE_S = 4.0


def ensure(bench: Bench) -> None:
    """Home the leg unless it knows its zero already. Raises MeasurementInvalid when a stop is not met."""
    if bench.homed:
        return
    bench.arrange(SetUp.CLAMPED)
    method = "each joint in turn is pressed against its home stop at low torque; the drives are told where they are"
    with bench.recording("homing", None, method) as recording, bench.energised():
        for joint in bench.leg.joints:
            side = _side(joint)
            press(bench, joint, side, unhomed=True)
            back_off(bench, joint, side, BACK_OFF_RAD)
    recorded = taken(recording.result)
    offsets = _offsets(recorded)
    _rest(bench)
    bench.set_home(np.array(bench.sample().joints_rad) + offsets)


def _offsets(recorded: Recorded) -> FloatArray:
    """What to add to each joint's reading so that its home stop lies where the drawing puts it."""
    leg = recorded.leg
    offsets = []
    for joint in leg.joints:
        found = contacts(recorded, joint)
        if len(found) != 1:
            raise MeasurementInvalid(f"{joint.name} met its home stop {len(found)} times, not once")
        stop = joint.travel_rad[0] if _side(joint) < 0 else joint.travel_rad[1]
        offsets.append(stop - found[0].angle_rad)
    return np.array(offsets)


def _side(joint: JointDescription) -> int:
    return -1 if joint.home.stop == "low" else 1


def _rest(bench: Bench) -> None:
    """Wait, unpowered, until the leg hangs still: what the drives are told must still be true when they hear it."""
    before = np.array(bench.sample().joints_rad)
    for _ in range(round(SETTLE_S / 0.1)):
        bench.rest(0.1)
        now = np.array(bench.sample().joints_rad)
        if np.max(np.abs(now - before)) < STILL_RAD:
            return
        before = now
    raise MeasurementInvalid("the unpowered leg does not come to rest, so its home cannot be set")


def move(bench: Bench, joint: JointDescription, cycles: int = CYCLES) -> Recorded:
    """Leave the home stop by varying distances and come back, `cycles` times."""
    at_least(DECLARATION.name, "cycles", cycles, 3)
    ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    side = _side(joint)
    with (
        bench.recording(DECLARATION.name, joint.name, DECLARATION.method, cycles=cycles) as recording,
        bench.energised(),
    ):
        bench.move_to(clear(bench.leg))
        for number in range(cycles):
            press(bench, joint, side)
            back_off(bench, joint, side, BACK_OFF_RAD * (1.0 + 0.5 * (number % 3)))
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Pose repeatability of the landings, RP = mean distance + 3 standard deviations of it (ISO 9283:1998, 7.2.2)."""
    joint = recorded.joint
    landings = np.array([contact.pressed_rad for contact in contacts(recorded, joint)])
    found = pose_repeatability(landings)
    # The noise of a reading is in the spread already.
    budget = (
        BudgetLine("number of landings", found.u, found.dof, "A"),
        BudgetLine("encoder resolution", 2 * np.pi / joint.drive.counts_per_turn / np.sqrt(12)),
    )
    return (
        measurement(
            "homing_repeatability", joint.name, found.value, budget, reference="external",
            covariates={"landings": float(len(landings)), "torque_Nm": joint.home.torque_Nm},
        ),
    )  # fmt: skip


DECLARATION = Declaration(
    name="homing repeatability",
    title="repeatability of homing",
    method="the joint leaves its home stop by varying distances and is pressed against it again; spread of landings",
    quantities=("homing_repeatability",),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=1,
    posture="hanging, the other joints held",
    reference="external: the end stop",
    duration_s=40.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, cycles: int = CYCLES) -> tuple[Measurement, ...]:
    """Home the leg if needed, repeat, and measure: one `homing_repeatability` of the joint."""
    return run_procedure(DECLARATION, bench, joint, cycles=cycles)
