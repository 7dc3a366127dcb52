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
from legtest.procedures.contact import back_off, contacts, press
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded

BACK_OFF_RAD = 0.1
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
                press(bench, joint, side)
                back_off(bench, joint, side, BACK_OFF_RAD)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Travel between the two contacts, each extrapolated to zero torque, minus the drawing's.

    As the motors see it: the play of every motor that moves the joint counts, 0.05 to 0.2 deg each when sound.
    """
    joint = recorded.joint
    found = contacts(recorded, joint)
    each = recorded.arguments["contacts_per_stop"]
    low, high = found[:each], found[each:]
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
    duration_s=25.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, contacts_per_stop: int = 3) -> tuple[Measurement, ...]:
    """Measure the travel of a joint: one `travel_error`."""
    return run_procedure(DECLARATION, bench, joint, contacts_per_stop=contacts_per_stop)
