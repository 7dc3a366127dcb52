"""Emergency stop: how soon the power is gone after it was pressed, and how far a raised leg falls. Needs a person.

KEEP CLEAR: the leg falls when it is pressed. What is measured is the whole chain of switch, contactor, supply and
drives, by the drives' own word; that a drive says off is no proof that no current flows. A drive whose own supply goes
through the switch falls silent, which counts as off. legtest is not part of this chain.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.errors import LegStopped
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import loaded
from legtest.records.recorded import Recorded

SHARE = 0.5  # of the most that the leg's weight can load its joint
HOLD_S, AFTER_S = 0.5, 2.0
FALL_RAD_S2 = 60.0  # of a limp leg of 0.16 m to its centre of mass: g / l
ON = 0x6F, 0x27  # CiA 402: operation enabled


def move(bench: Bench) -> Recorded:
    """Raise the leg, hold it, have the emergency stop pressed, watch it fall, have it released."""
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = len(bench.leg.joints) - 2  # the hip
    raised = loaded(bench.leg, bench.leg.joints[index], SHARE)[index]
    with bench.recording(DECLARATION.name, None, DECLARATION.method, period_ns=bench.period_ns) as recording:
        try:
            with bench.energised():
                pose = bench.demand_rad
                pose[index] = raised
                bench.move_to(pose)
                bench.wait(HOLD_S, "hold")
                pressed_ns, within_s = bench.press_emergency_stop()
                recording.found |= {"pressed_ns": pressed_ns, "within_s": within_s}
                with bench.span("press"):
                    bench.wait(HOLD_S)
        except LegStopped as stopped:
            recording.found["stopped"] = str(stopped)
        bench.watch(AFTER_S, "after")
    bench.release_emergency_stop()
    return taken(recording.result)


class _Stop(NamedTuple):
    off_ns: int
    travel_rad: float
    noise_rad: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """The first telemetry of each drive that says off after the press, and how far its joint is moved from there on."""
    arguments = recorded.arguments
    if not arguments.get("stopped"):
        reason = "nothing stopped the leg within half a second"
        return (measurement("emergency_stop_time", "leg", np.nan, (), reference="external", invalid=reason),)
    pressed, period_s = int(arguments["pressed_ns"]), float(arguments["period_ns"]) * 1e-9
    stops = [_stop(recorded, index, pressed) for index in range(len(recorded.leg.joints))]
    last_s = (max(stop.off_ns for stop in stops) - pressed) * 1e-9 - period_s / 2
    budget = (
        BudgetLine("one telemetry sample a period", period_s / sqrt(12)),
        BudgetLine("contact of the emergency stop", float(arguments["within_s"]) / sqrt(3)),
    )
    time = measurement("emergency_stop_time", "leg", last_s, budget, reference="external")
    travels = (
        measurement(
            "emergency_stop_travel", joint.name, stop.travel_rad, (
                BudgetLine("noise of the reading", stop.noise_rad),
                BudgetLine("encoder resolution", 2 * np.pi / joint.drive.counts_per_turn / sqrt(12)),
                # The furthest point lies half a period from a sample at most: a t^2 / 2 of a falling leg.
                BudgetLine("between two samples", FALL_RAD_S2 * (period_s / 2) ** 2 / 2 / sqrt(3)),
            ), reference="internal",
        )
        for joint, stop in zip(recorded.leg.joints, stops, strict=True)
    )  # fmt: skip
    return (time, *travels)


def _stop(recorded: Recorded, index: int, pressed_ns: int) -> _Stop:
    trace, name = recorded.whole, recorded.leg.joint_names[index]
    status, angle = trace.column(f"{name}.statusword"), recorded.joints(trace)[:, index]
    after = trace.t_ns >= pressed_ns
    mask, value = ON
    off = after & ~(np.isfinite(status) & ((np.nan_to_num(status).astype(np.int64) & mask) == value))
    first = int(trace.t_ns[off][0]) if off.any() else int(trace.t_ns[-1])
    held = angle[~after & (trace.t_ns > pressed_ns - 200_000_000)]
    travel = np.nanmax(np.abs(angle[after] - np.nanmean(held)))
    return _Stop(first, float(travel), float(np.nanstd(held, ddof=1)))


DECLARATION = Declaration(
    name="emergency stop",
    title="reaction to the emergency stop",
    method="the leg is held raised, a person presses the emergency stop; time until the drives are off, and the fall",
    quantities=("emergency_stop_time", "emergency_stop_travel"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="raised until its own weight loads the hip with half of the most",
    reference="external: the emergency stop's own contact; travel: the drives' encoders",
    duration_s=20.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Have the emergency stop pressed on a raised leg. Needs a person; afterwards the pre-check comes anew."""
    return run_procedure(DECLARATION, bench)
