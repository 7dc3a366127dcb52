"""Did the home position move? Every home stop is met several times before something and several times after it."""

from __future__ import annotations

from math import sqrt

import numpy as np

from legtest.bench import Bench
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.contact import back_off, contacts, press
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded

TOUCHES = 3  # of each home stop, before and after


def touch_all(bench: Bench) -> None:
    """Meet every home stop TOUCHES times. For a powered leg, carriage clamped."""
    for joint in bench.leg.joints:
        bench.move_to(clear(bench.leg))
        side = -1 if joint.home.stop == "low" else 1
        for _ in range(TOUCHES):
            press(bench, joint, side)
            back_off(bench, joint, side, homing.BACK_OFF_RAD)


def home_shifts(recorded: Recorded) -> tuple[Measurement, ...]:
    """Mean landing on each home stop afterwards minus that before; the landings say how they scatter."""
    found = []
    for joint in recorded.leg.joints:
        landings = np.array([contact.pressed_rad for contact in contacts(recorded, joint)])
        if len(landings) != 2 * TOUCHES:
            reason = f"the home stop was met {len(landings)} times, not {2 * TOUCHES}"
            found.append(measurement("home_shift", joint.name, np.nan, (), reference="external", invalid=reason))
            continue
        before, after = landings.reshape(2, TOUCHES)
        scatter = float(np.sqrt((before.var(ddof=1) + after.var(ddof=1)) / 2))
        budget = (
            BudgetLine("scatter of the landings", scatter * sqrt(2 / TOUCHES), 2 * (TOUCHES - 1), "A"),
            BudgetLine("encoder resolution", 2 * np.pi / joint.drive.counts_per_turn / sqrt(6)),
        )
        shift = float(after.mean() - before.mean())
        found.append(measurement("home_shift", joint.name, shift, budget, reference="external"))
    return tuple(found)
