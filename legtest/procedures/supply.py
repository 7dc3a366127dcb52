"""Supply sag: how much voltage the motors' supply and its cables lose for each ampere that is drawn.

Needs an instrument for the supply current. Sees a weak supply, a long or thin cable, a bad contact. Does not see how
the supply answers within milliseconds, nor its current limit: both show in motion, as under-voltage of a drive.
"""

from __future__ import annotations

import numpy as np

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.hands import Reading, instrument_for
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import line_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import loaded
from legtest.procedures.readings import readings
from legtest.records.recorded import Recorded

SHARES = (0.0, 0.5, 0.75, 0.97)  # of the most that the known mass can load the hip
ROUNDS, HOLD_S, READINGS = 2, 1.5, 3
VOLTAGE_SCALE = 0.01  # standard uncertainty of a drive's voltage reading, relative; common practice, no source
CURRENT_SCALE = 0.01  # of the instrument, beside what it states for one reading


def move(bench: Bench) -> Recorded:
    """Hold the known mass with more and with less load on the hip; read the supply current at each."""
    instrument_for(bench.description, "supply_current")
    homing.ensure(bench)
    bench.arrange(SetUp.MASS)
    index = len(bench.leg.joints) - 2
    poses = [loaded(bench.leg, bench.leg.joints[index], share) for share in SHARES]
    with (
        bench.recording(DECLARATION.name, None, DECLARATION.method, readings_each=READINGS) as recording,
        bench.energised(),
    ):
        for _ in range(ROUNDS):
            for level, pose in enumerate(poses):
                bench.move_to(pose)
                bench.wait(0.5, "settle")
                bench.wait(HOLD_S, f"level {level}")
                for _ in range(READINGS):
                    bench.read("supply_current")
    bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Slope of voltage over current, by the mean of all drives: their offsets drop out, their gains do not."""
    each = int(recorded.arguments["readings_each"])
    all_readings = readings(recorded, "supply_current")
    currents = np.array([reading.value for reading in all_readings]).reshape(-1, each).mean(axis=1)
    volts = np.array([_volts(recorded, number) for number in range(len(currents))])
    fit = line_fit(currents, volts)
    value = -float(fit.coefficients[1])
    spread = float(np.sqrt(np.sum((currents - currents.mean()) ** 2)))
    budget = (
        BudgetLine("scatter about the line", fit.u(1), fit.dof, "A"),
        BudgetLine("current readings", _u(all_readings) * abs(value) / np.sqrt(each) / spread),
        BudgetLine("scale of the current", CURRENT_SCALE * abs(value), systematic=True),
        BudgetLine("scale of the drives' voltage", VOLTAGE_SCALE * abs(value), systematic=True),
    )
    covariates = {"largest_current_A": float(currents.max()), "voltage_at_rest_V": float(fit.coefficients[0])}
    return (measurement("source_resistance", "leg", value, budget, reference="external", covariates=covariates),)


def _u(found: list[Reading]) -> float:
    return max(reading.u for reading in found)


def _volts(recorded: Recorded, number: int) -> float:
    """Mean voltage of the number-th hold, over all drives."""
    trace = recorded.traces(f"level {number % len(SHARES)}")[number // len(SHARES)]
    return float(np.mean([np.nanmean(trace.column(f"{name}.supply")) for name in recorded.leg.joint_names]))


DECLARATION = Declaration(
    name="supply sag",
    title="source resistance of the motor supply",
    method="the known mass is held with more and with less load; slope of the drives' voltage over the supply current",
    quantities=("source_resistance",),
    per_joint=False,
    setups=(SetUp.MASS,),
    energy_class=2,
    posture="the hip turned until the foot's weight loads it more and less",
    reference="external: the instrument in the supply; voltage: the drives' own readings",
    duration_s=35.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Measure the motor supply under load: one `source_resistance`. Needs an instrument for supply_current."""
    return run_procedure(DECLARATION, bench)
