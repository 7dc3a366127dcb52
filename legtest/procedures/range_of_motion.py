"""Range of motion: from one end stop to the other as the motors see it, play included, against the drawing."""

from __future__ import annotations

import numpy as np

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, repeats
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.contact import BEYOND, Contact, back_off, contacts, seek
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded

BACK_OFF_RAD = 0.1
PLACE_U_RAD = 2e-3  # of one contact: seats of end stops scatter by 0.1 deg; common practice, no source
ENCODER_LINEARITY = 2e-4  # of the travel: gear and encoder over less than a turn; common practice, no source


def move(bench: Bench, joint: JointDescription, contacts_per_stop: int = 3) -> Recorded:
    """Press against the low stop, then the high one, `contacts_per_stop` times each, then come back to the middle."""
    at_least(DECLARATION.name, "contacts_per_stop", contacts_per_stop, 2)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    arguments = {"contacts_per_stop": contacts_per_stop}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        bench.move_to(clear(bench.leg))
        for side in (-1, 1):
            for _ in range(contacts_per_stop):
                met = seek(bench, joint, side)
                back_off(bench, joint, side, BACK_OFF_RAD)
                if not met:
                    break
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Travel between the two contacts, each extrapolated to zero torque, minus the drawing's.

    Where a stop is not met the travel is at least what was moved, which is the value then.
    As the motors see it: the play of every motor that moves the joint counts, 0.05 to 0.2 deg each when sound.
    """
    joint = recorded.joint
    found = contacts(recorded, joint)
    low, high = ([c for c in found if c.side == side] for side in (-1, 1))
    if BEYOND in recorded.labels:
        return (_longer(recorded, joint, low, high),)
    travel = float(np.mean([c.angle_rad for c in high]) - np.mean([c.angle_rad for c in low]))
    drawing = joint.travel_rad[1] - joint.travel_rad[0]
    budget = (
        repeats("contacts at the low stop", [c.angle_rad for c in low]),
        repeats("contacts at the high stop", [c.angle_rad for c in high]),
        # The wind-up comes off at both ends, and is wrong by the same share.
        BudgetLine("wind-up at both stops", low[0].u_wind_up_rad + high[0].u_wind_up_rad),
        BudgetLine("gear and encoder over the travel", ENCODER_LINEARITY * drawing, systematic=True),
    )
    return (
        measurement(
            "travel_error", joint.name, travel - drawing, budget, reference="external",
            covariates={"travel_rad": travel, "torque_Nm": joint.home.torque_Nm},
        ),
    )  # fmt: skip


def _longer(recorded: Recorded, joint: JointDescription, low: list[Contact], high: list[Contact]) -> Measurement:
    """A travel that goes on beyond the drawing: at least as much as was moved, and no further for safety's sake."""
    name, drawing = joint.name, joint.travel_rad[1] - joint.travel_rad[0]
    ends = [c.angle_rad for c in (*low, *high)]
    per_Nm = max((abs(c.wind_up_rad) for c in (*low, *high)), default=0.0) / joint.home.torque_Nm
    wound = 0.0
    for trace in recorded.traces(BEYOND):
        # It may lean against something already, only not with the torque that makes a contact.
        lean = per_Nm * float(np.nanmean(trace.column(f"{name}.torque")))
        ends.append(float(np.nanmean(recorded.joints(trace)[:, recorded.joint_index()])) - lean)
        wound += abs(lean)
    budget = (
        BudgetLine("wind-up", wound / np.sqrt(3) + sum(c.u_wind_up_rad for c in (*low[:1], *high[:1]))),
        BudgetLine("one place only", PLACE_U_RAD),
        BudgetLine("gear and encoder over the travel", ENCODER_LINEARITY * drawing, systematic=True),
    )
    covariates = {"travel_at_least_rad": max(ends) - min(ends), "torque_Nm": joint.home.torque_Nm}
    error = max(ends) - min(ends) - drawing
    return measurement("travel_error", name, error, budget, reference="external", covariates=covariates)


DECLARATION = Declaration(
    name="range of motion",
    title="range of motion",
    method="the joint is pressed against both end stops; contact angles are extrapolated to zero torque",
    quantities=("travel_error",),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=1,
    posture="hanging, the other joints held",
    reference="external: the end stops of the drawing",
    duration_s=20.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, contacts_per_stop: int = 3) -> tuple[Measurement, ...]:
    """Measure the travel of a joint: one `travel_error`."""
    return run_procedure(DECLARATION, bench, joint, contacts_per_stop=contacts_per_stop)
