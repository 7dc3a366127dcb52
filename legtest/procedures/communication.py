"""Communication: how soon drives answer, how evenly the cycle goes, how much telemetry is lost. No power.

Sees a drive that answers late, a bus that is too full, an adapter that holds frames back or loses them. On an adapter
that does not echo what it sends, its own delay is in all times. Does not see what goes wrong only with motors running.
"""

from __future__ import annotations

from math import floor, sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.distributions import normal_quantile
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.statistics import clopper_pearson
from legtest.procedures.accesses import accesses
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

WATCH_S = 20.0
COVERAGE = 0.95
CLOCK = 1e-3  # relative: bit rate of a drive with a ceramic resonator
LAST_CYCLES = 5  # whose answers may not have come when the watch ended


def move(bench: Bench, seconds: float = WATCH_S) -> Recorded:
    """Some hundred object accesses, then telemetry for a while, the power off."""
    arguments = {"bit_rate": bench.description.bit_rate, "period_ns": bench.period_ns}
    with bench.observing(DECLARATION.name, None, DECLARATION.method, **arguments) as recording:
        recording.keep_frames()
        bench.look()
        bench.watch(seconds)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Quantiles with the binomial interval of their rank; losses with the interval of Clopper and Pearson."""
    found: list[Measurement] = []
    for number, joint in enumerate(recorded.leg.joints):
        replies = _replies(recorded, joint.drive.node)
        delays = _delays(recorded, number)
        found += [
            _quantile("reply_time", joint.name, replies, 0.5),
            _quantile("reply_time_p99", joint.name, replies, 0.99),
            _quantile("telemetry_delay", joint.name, delays, 0.5),
            _quantile("telemetry_delay_p99", joint.name, delays, 0.99),
            _quantile("telemetry_delay_max", joint.name, delays, 1.0),
        ]
    return (*found, _jitter(recorded), _loss(recorded))


def _replies(recorded: Recorded, node: int) -> FloatArray:
    bit_rate = float(recorded.arguments["bit_rate"])
    return np.array([a.reply_s for frames in recorded.frames("look") for a in accesses(frames, node, bit_rate)])


def _delays(recorded: Recorded, number: int) -> FloatArray:
    """From each SYNC of the watch to the frame with the position that answers it, s."""
    can_id = recorded.wiremaps[number].position_signal().can_id
    sync = recorded.trace("watch").t_ns
    came = np.array([frame.t_ns for frame in recorded.frames("watch")[0] if frame.can_id == can_id], np.int64)
    asked = np.searchsorted(sync, came, side="right") - 1
    return np.asarray((came - sync[asked])[asked >= 0] * 1e-9)


def _quantile(quantity: str, subject: str, values: FloatArray, share: float) -> Measurement:
    """A quantile; the largest value (share 1) is what was seen and no estimate of anything beyond."""
    n = len(values)
    if n < 20:
        reason = f"{n} answers are too few"
        return measurement(quantity, subject, np.nan, (), reference="internal", invalid=reason)
    ranked = np.sort(values)
    value = float(ranked[min(n - 1, floor(share * n))])
    z = normal_quantile((1 + COVERAGE) / 2)
    half = z * sqrt(n * share * (1 - share)) + 1
    low, high = (ranked[int(np.clip(rank, 0, n - 1))] for rank in (share * n - half, share * n + half))
    stamps = _stamp(values)
    budget = [BudgetLine("time stamps", stamps / sqrt(12)), BudgetLine("clock of the drive", CLOCK * abs(value))]
    if share < 1.0:
        budget.append(BudgetLine("number of answers", float(high - low) / 2 / z, n - 1, "A"))
    return measurement(quantity, subject, value, budget, reference="internal", covariates={"answers": n})


def _stamp(values: FloatArray) -> float:
    """The step of the time stamps, s: the smallest difference there is between two values, 1 us at least."""
    steps = np.diff(np.unique(np.round(values * 1e9)))
    return max(1e-6, float(steps.min()) * 1e-9 if len(steps) else 1e-6)


def _jitter(recorded: Recorded) -> Measurement:
    distances = np.diff(recorded.trace("watch").t_ns) - recorded.arguments["period_ns"]
    return _quantile("cycle_jitter", "leg", np.abs(distances) * 1e-9, 0.99)


def _loss(recorded: Recorded) -> Measurement:
    trace = recorded.trace("watch")
    rows = recorded.actuators(trace)[:-LAST_CYCLES]
    lost, expected = int(np.isnan(rows).sum()), rows.size
    _, high = clopper_pearson(lost, expected, COVERAGE)
    u = (high - lost / expected) / normal_quantile((1 + COVERAGE) / 2)
    budget = (BudgetLine("number of frames (Clopper-Pearson)", u, evaluation="A"),)
    covariates = {"expected": expected, "lost": lost}
    return measurement("telemetry_loss", "leg", lost / expected, budget, reference="internal", covariates=covariates)


DECLARATION = Declaration(
    name="communication",
    title="latency, jitter and loss of the communication",
    method="object accesses and telemetry of the unpowered leg: time to the answer, evenness of the cycles, losses",
    quantities=("reply_time", "reply_time_p99", "telemetry_delay", "telemetry_delay_p99", "telemetry_delay_max",
                "cycle_jitter", "telemetry_loss"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=0,
    posture="any; no power is applied",
    reference="internal: the adapter's time stamps",
    duration_s=24.0,
    move=move,
    evaluate=evaluate,
)  # fmt: skip


def run(bench: Bench, seconds: float = WATCH_S) -> tuple[Measurement, ...]:
    """Measure the communication without power: five times for each joint's drive, jitter and loss of the whole."""
    return run_procedure(DECLARATION, bench, seconds=seconds)
