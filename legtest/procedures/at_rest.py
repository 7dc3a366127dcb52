"""Telemetry at rest: how noisy positions and torques are, and where the torque's zero lies. No power.

Sees a noisy encoder, a noisy current reading and its offset. Does not see a gain that is wrong, nor an encoder that
does not turn with its motor. Bits that stick show only while the joint moves: see `twitch`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, resolution
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.statistics import sd_uncertainty
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded

WATCH_S = 6.0
SWAYS_RAD = 0.01  # a leg that moved so far was not at rest


def move(bench: Bench, seconds: float = WATCH_S) -> Recorded:
    """Ask the drives for telemetry and watch it, the power off."""
    with bench.observing(DECLARATION.name, None, DECLARATION.method) as recording:
        bench.look()
        bench.watch(seconds)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Noise from differences of neighbouring samples: a leg that sways slowly does not spoil it (von Neumann 1941)."""
    trace = recorded.trace("watch")
    found: list[Measurement] = []
    for joint in recorded.leg.joints:
        position, torque = (trace.column(f"{joint.name}.{what}") for what in ("position", "torque"))
        position, torque = position[np.isfinite(position)], torque[np.isfinite(torque)]
        invalid = "the leg was not at rest" if np.ptp(position) > SWAYS_RAD else ""
        found += [
            _noise("position_noise", joint, position, 2 * np.pi / joint.drive.counts_per_turn, invalid),
            _noise("torque_noise", joint, torque, joint.drive.rated_torque_Nm / 1000, invalid),
            _zero(joint, torque, invalid),
        ]
    return tuple(found)


def _noise(
    quantity: str, joint: JointDescription, values: NDArray[np.float64], step: float, invalid: str
) -> Measurement:
    steps = np.diff(values)
    noise = float(np.sqrt(np.mean(steps**2) / 2))
    # Neighbouring differences share a reading: as many degrees of freedom as two thirds of them.
    n = max(2, 2 * len(steps) // 3)
    budget = (
        BudgetLine("number of samples", sd_uncertainty(noise, n), n - 1, "A"),
        # What rounding hides from a quiet reading: at most a fifth of a step is below half a step of noise.
        BudgetLine("rounding", step * (0.2 if noise < 0.5 * step else 0.01), systematic=True),
    )
    return measurement(quantity, joint.name, noise, budget, reference="internal", invalid=invalid)


def _zero(joint: JointDescription, torque: NDArray[np.float64], invalid: str) -> Measurement:
    budget = (
        BudgetLine("noise", float(np.std(torque, ddof=1)) / np.sqrt(len(torque)), len(torque) - 1, "A"),
        resolution("torque resolution", 0.1 * joint.drive.rated_torque_Nm / 1000),
    )
    value = float(np.mean(torque))
    return measurement("torque_zero", joint.name, value, budget, reference="internal", invalid=invalid)


DECLARATION = Declaration(
    name="telemetry at rest",
    title="noise and zero of the telemetry",
    method="positions and torques of the unpowered leg at rest; scatter of neighbouring samples, mean torque",
    quantities=("position_noise", "torque_noise", "torque_zero"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=0,
    posture="at rest; no power is applied",
    reference="internal; torque zero: no current flows in a motor without power",
    duration_s=9.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, seconds: float = WATCH_S) -> tuple[Measurement, ...]:
    """Measure the noise of a leg at rest, without power: three quantities for each joint."""
    return run_procedure(DECLARATION, bench, seconds=seconds)
