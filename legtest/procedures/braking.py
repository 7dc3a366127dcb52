"""Braking: how far the supply rises while a moving leg is braked, for most supplies take no current back.

Sees capacitors that are too small or missing, a braking resistor that does not work. Sees only what this leg gives
back at the speed this bench allows: a drop, or a robot in full run, gives back more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import loaded
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

SWINGS = 6
SHARE = 0.97  # of the most that the known mass loads the hip, where a swing begins
SPEED_SHARE = 0.9  # of the fastest that the bench allows
VOLTAGE_SCALE = 0.01  # standard uncertainty of a drive's voltage reading, relative; common practice, no source


def move(bench: Bench, swings: int = SWINGS) -> Recorded:
    """Let the hip carry the known mass up slowly and bring it down as fast as it may, again and again."""
    at_least(DECLARATION.name, "swings", swings, 3)
    homing.ensure(bench)
    bench.arrange(SetUp.MASS)
    index = len(bench.leg.joints) - 2
    raised = loaded(bench.leg, bench.leg.joints[index], SHARE)[index]
    speed = SPEED_SHARE * bench.speed_rad_s[index]
    with bench.recording(DECLARATION.name, None, DECLARATION.method) as recording, bench.energised():
        low = bench.demand_rad  # where it hangs nothing but the hip has to hold anything
        high = low.copy()
        high[index] = raised
        bench.wait(1.0, "rest")
        for _ in range(swings):
            bench.move_to(high)
            bench.wait(0.5, "high")
            bench.move_to(low, speed, label="down")
            bench.wait(0.3, "down after")
    bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """The median over the swings of the highest voltage of each, noise of the highest of several readings taken off."""
    rest = _volts(recorded, recorded.trace("rest"))
    noise = float(np.std(rest, ddof=1))
    zero = float(np.mean(rest))
    after = recorded.traces("down after")
    found = [
        _peak(np.concatenate([_volts(recorded, down), _volts(recorded, then)]), noise)
        for down, then in zip(recorded.traces("down"), after, strict=True)
    ]
    peaks, gaps = np.array(found).T
    peak = float(np.median(peaks))
    spread = float(np.std(peaks, ddof=1)) * 1.2533 / np.sqrt(len(peaks))  # of a median of normal values
    budget = (
        BudgetLine("swings", spread, len(peaks) - 1, "A"),
        BudgetLine("noise of the highest reading", noise / 2),
        BudgetLine("between two readings", float(np.median(gaps)) / 4 / np.sqrt(3)),
    )
    scale = BudgetLine("scale of the drives' voltage", VOLTAGE_SCALE * peak, systematic=True)
    rise_scale = BudgetLine("scale of the drives' voltage", VOLTAGE_SCALE * abs(peak - zero), systematic=True)
    covariates = {"voltage_at_rest_V": zero, "swings": float(len(peaks))}
    return (
        measurement(
            "supply_rise", "leg", peak - zero, (*budget, rise_scale), reference="internal", covariates=covariates
        ),
        measurement("supply_peak", "leg", peak, (*budget, scale), reference="internal", covariates=covariates),
    )


def _volts(recorded: Recorded, trace: Trace) -> FloatArray:
    """Mean of all drives' readings, at each new one."""
    columns = np.stack([trace.column(f"{name}.supply") for name in recorded.leg.joint_names])
    mean = columns.mean(axis=0)
    mean = mean[np.isfinite(mean)]
    return np.asarray(mean[np.append(True, np.diff(mean) != 0)], float)


def _peak(volts: FloatArray, noise: float) -> tuple[float, float]:
    """The highest voltage, and how far its neighbours lie below.

    The true peak stands above the highest reading by a quarter of that on average, where it lies between two; the
    highest of three noisy readings stands above the true one by 0.85 of their noise.
    """
    top = int(np.argmax(volts))
    around = volts[max(0, top - 1) : top + 2]
    gap = max(0.0, float(volts[top] - around.min()) - 2 * noise)
    return float(volts[top]) + gap / 4 - 0.85 * noise / (1 + gap / max(noise, 1e-6)), gap


DECLARATION = Declaration(
    name="braking",
    title="rise of the supply by braking",
    method="the hip lets the known mass down as fast as it may; highest voltage of the drives over that at rest",
    quantities=("supply_rise", "supply_peak"),
    per_joint=False,
    setups=(SetUp.MASS,),
    energy_class=2,
    posture="the hip turned up until the mass loads it, and down",
    reference="internal: the drives' voltage readings",
    duration_s=30.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, swings: int = SWINGS) -> tuple[Measurement, ...]:
    """Brake a moving leg: `supply_rise` and `supply_peak`."""
    return run_procedure(DECLARATION, bench, swings=swings)
