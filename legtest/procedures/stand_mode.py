"""First mode of the stand, felt by the leg: the hip brakes hard and goes on slowly; its torque shows the ringing.

The joint keeps turning, so that friction does not hide a torque smaller than itself.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import LegDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.ringing import ringing
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import clear
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

JOINT = "hip"
FAST_RAD_S, SLOW_RAD_S = 2.2, 0.25
FAST_S, SLOW_S, REPEATS = 0.15, 2.4, 5
SPREAD_RAD = 0.7
SKIP_S = 0.2  # of the slow part, where the leg's own loop still answers
LOWEST_HZ, HIGHEST_HZ = 2.5, 25.0
LEAST_OVER_NOISE = 2.0  # amplitude over what is left
BETWEEN = 0.02  # relative, half width: leg and stand swing together, friction and gravity bend the vibration


def kick(leg: LegDescription, period_s: float, shift_rad: float = 0.0) -> FloatArray:
    """Joint angles (rows, joints), rad: fast through the hanging pose, then at once slowly. shift_rad: of the hip."""
    up = round(0.06 / period_s)
    rate = np.concatenate([
        np.linspace(0, FAST_RAD_S, up), np.full(round(FAST_S / period_s), FAST_RAD_S),
        np.full(round(SLOW_S / period_s), SLOW_RAD_S), np.linspace(SLOW_RAD_S, 0, up),
    ])  # fmt: skip
    offset = np.concatenate([[0.0], np.cumsum(rate) * period_s])
    rows = np.tile(clear(leg), (len(offset), 1))
    # Where the slow part is in its middle, the leg hangs: there gravity changes least with the angle's square.
    rows[:, leg.joint_names.index(JOINT)] = shift_rad + offset - offset[-1] + SLOW_RAD_S * SLOW_S / 2
    return rows


def shifts(repeats: int) -> FloatArray:
    """Where the repeats run: apart, so that what goes with the angle (ripple, friction) is averaged out."""
    return SPREAD_RAD * (np.arange(repeats) / repeats - (repeats - 1) / repeats / 2)


def slow_rows(period_s: float) -> tuple[int, int]:
    """First and last row of `kick` from which the ringing is read."""
    first = round(0.06 / period_s) + round(FAST_S / period_s)
    return first + round(SKIP_S / period_s), first + round(SLOW_S / period_s)


def move(bench: Bench, repeats: int = REPEATS) -> Recorded:
    """Kick and go on slowly, several times; the carriage clamped."""
    at_least(DECLARATION.name, "repeats", repeats, 2)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    tables = [kick(bench.leg, bench.period_ns * 1e-9, float(shift)) for shift in shifts(repeats)]
    with (
        bench.recording(DECLARATION.name, None, DECLARATION.method, repeats=repeats) as recording,
        bench.energised(),
    ):
        for rows in tables:
            bench.move_to(rows[0])
            bench.wait(1.0)
            bench.follow(rows, label="kick")
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Frequency and damping of the mean torque of the repeats, a drift apart."""
    period_s = recorded.timing.period_ns * 1e-9
    torque = np.array([_slow_part(recorded, trace, period_s) for trace in recorded.traces("kick")])
    t = np.arange(torque.shape[1]) * period_s
    late = f"{recorded.timing.missed} control cycles were left out" if recorded.timing.missed else ""
    try:
        found = ringing(t, np.nanmean(torque, axis=0), lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ, degree=4)
    except ValueError as error:
        return tuple(measurement(name, "leg", np.nan, (), reference="internal", invalid=str(error))
                     for name in DECLARATION.quantities)  # fmt: skip
    faint = found.amplitude < LEAST_OVER_NOISE * found.residual_sd
    reason = late or (f"the stand rings too faintly: {found.amplitude:.3f} N*m" if faint else "")
    covariates = {"amplitude_Nm": found.amplitude, "left_over_Nm": found.residual_sd}
    f, zeta = found.frequency_hz, found.damping
    return (
        measurement("stand_frequency", "leg", f, (
            BudgetLine("fit of the vibration", found.u_frequency_hz, found.dof, "A"),
            BudgetLine("leg and stand swing together", BETWEEN * f / sqrt(3), systematic=True),
        ), reference="internal", covariates=covariates, invalid=reason),
        measurement("stand_damping", "leg", zeta, (
            BudgetLine("fit of the vibration", found.u_damping, found.dof, "A"),
            BudgetLine("leg and stand swing together", BETWEEN / 4 / sqrt(3), systematic=True),
        ), reference="internal", covariates=covariates, invalid=reason),
    )  # fmt: skip


def _slow_part(recorded: Recorded, trace: Trace, period_s: float) -> FloatArray:
    command = recorded.joints(trace, "setpoint")[:, recorded.leg.joint_names.index(JOINT)]
    known = np.isfinite(command)
    begin = int(np.argmax(known & (np.abs(command - command[known][0]) > 1e-4))) - 1
    first, last = slow_rows(period_s)
    return recorded.actuators(trace, "torque")[begin + first : begin + last, _axis(recorded.leg)]


def _axis(leg: LegDescription) -> int:
    return leg.joint_names.index(JOINT)


DECLARATION = Declaration(
    name="stand mode",
    title="first mode of the stand",
    method="the hip brakes hard and goes on slowly; the stand's ringing is read from the torque that it takes",
    quantities=("stand_frequency", "stand_damping"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the hip swinging through",
    reference="internal: torque from current, the host's clock",
    duration_s=30.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, repeats: int = REPEATS) -> tuple[Measurement, ...]:
    """Measure how the stand rings: `stand_frequency` and `stand_damping`, in the direction of walking."""
    return run_procedure(DECLARATION, bench, repeats=repeats)
