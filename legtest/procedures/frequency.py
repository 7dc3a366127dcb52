"""Frequency response of a joint's position loop: a multisine, periods averaged against the set-point that was sent.

The answer belongs to its amplitude: friction and play make a joint slower the less it moves, so two are measured.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.spectra import (
    FrequencyResponse,
    frequency_response,
    gain_crossing,
    multisine,
    odd_lines,
    phase_crossing,
)
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.procedures.step import READING_AGE_S
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

BASE_S = 1.0  # period of the multisine
HIGHEST_SHARE = 0.24  # of the control rate: below half of its Nyquist frequency
LINES, PERIODS, RUN_IN = 24, 8, 2
SPEEDS_RAD_S = {"small": 0.6, "large": 1.8}  # peak speed of the set-point
FLAT_HZ = 3.0  # below it the lines are all as large, above they shrink with the frequency
LEAST_COHERENCE = 0.8
NEAR_MODE = 1.4  # lines within f / 1.4 .. 1.4 f of the stand's own frequency are not used
HALF_POWER = sqrt(0.5)
LAG_HZ = 10.0  # where the phase lag is read


def lines_of(period_s: float) -> FloatArray:
    """The odd multiples of 1 / BASE_S that are excited at this control period."""
    return odd_lines(1, int(HIGHEST_SHARE / period_s * BASE_S), LINES)


def excitation(period_s: float, peak_rad_s: float) -> FloatArray:
    """Offsets (rows,), rad: run-in and PERIODS of the multisine, at this peak speed."""
    lines = lines_of(period_s)
    one = multisine(lines, 1 / np.maximum(lines / BASE_S, FLAT_HZ), round(BASE_S / period_s))
    speed = float(np.abs(np.diff(one, append=one[0])).max()) / period_s
    return np.asarray(np.tile(one * peak_rad_s / speed, RUN_IN + PERIODS), float)


def move(bench: Bench, joint: JointDescription, stand_hz: float | None = None) -> Recorded:
    """Shake the joint in the middle of its hanging range, gently first.

    stand_hz: the stand's own frequency, around which nothing is read. Raises UsageError when it is not positive.
    """
    if stand_hz is not None and not stand_hz > 0:
        raise UsageError(f"{DECLARATION.name}: stand_hz={stand_hz}: a frequency above 0 is needed, or None")
    at_least(DECLARATION.name, "control cycles in a period of the multisine", round(BASE_S * 1e9 / bench.period_ns), 50)
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    index = bench.leg.joint_names.index(joint.name)
    tables = {n: excitation(bench.period_ns * 1e-9, v) for n, v in SPEEDS_RAD_S.items()}
    pose = middle(bench.leg, joint, float(max(np.abs(table).max() for table in tables.values())))
    arguments = {"pose_rad": pose.tolist(), "stand_hz": stand_hz}
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording, bench.energised():
        for name, table in tables.items():
            rows = np.tile(pose, (len(table), 1))
            rows[:, index] += table
            bench.move_to(rows[0])
            bench.wait(0.2)
            bench.follow(rows, label=name)
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Where the gain falls to half the power and the phase to -90 deg, and the phase lag, set-point to position."""
    return (*_of_amplitude(recorded, "large", ""), *_of_amplitude(recorded, "small", "small_"))


def _of_amplitude(recorded: Recorded, label: str, prefix: str) -> tuple[Measurement, ...]:
    found, amplitude = response(recorded, label)
    near = _near_mode(found.frequency_hz, recorded.arguments["stand_hz"])
    usable = (found.coherence >= LEAST_COHERENCE) & ~near
    covariates = {
        "amplitude_rad": amplitude,
        "peak_speed_rad_s": SPEEDS_RAD_S[label],
        "distortion": found.distortion,
        "least_coherence": float(found.coherence.min()),
        "unused_lines": float((~usable).sum()),
    }
    late = f"{recorded.timing.missed} control cycles were left out" if recorded.timing.missed else ""
    clock = recorded.timing.lateness_p99_ns * 1e-9 / sqrt(3)
    made = [_lag(recorded, found, usable, prefix, covariates, late)]
    for name, (value, u), gap in (
        ("bandwidth", gain_crossing(found, HALF_POWER, usable), _gap(found, usable, "gain")),
        ("phase_bandwidth", phase_crossing(found, -np.pi / 2, usable), _gap(found, usable, "phase")),
    ):
        if name == "phase_bandwidth" and usable.all() and not np.isfinite(value):
            continue  # a loop with a velocity feed-forward may never be 90 deg behind
        # A delay d turns the phase by 2 pi f d, and the crossing moves by that over the slope of the phase there.
        both = (clock, READING_AGE_S / sqrt(3))
        delay = [0.0, 0.0] if name == "bandwidth" else [_moved(found, value, d) for d in both]
        budget = (
            BudgetLine("scatter of the periods", u, 2 * (found.periods - 1), "A"),
            BudgetLine("between two lines", gap),
            BudgetLine("host timing", delay[0]),
            BudgetLine("age of a reading", delay[1], systematic=True),
        ) if np.isfinite(value) else ()  # fmt: skip
        reason = "" if budget else f"no usable crossing up to {found.frequency_hz[-1]:g} Hz"
        made.append(measurement(prefix + name, recorded.joint.name, value, budget, reference="internal",
                                covariates=covariates, invalid=late or reason))  # fmt: skip
    return tuple(made)


def _lag(
    recorded: Recorded, found: FrequencyResponse, usable: NDArray[np.bool_], prefix: str,
    covariates: dict[str, float], late: str,
) -> Measurement:
    """By how much the position is behind at LAG_HZ, linear between the two lines around it."""
    value, u, both = lag(found, usable)
    clock = 2 * np.pi * LAG_HZ * recorded.timing.lateness_p99_ns * 1e-9 / sqrt(3)
    budget = (
        BudgetLine("scatter of the periods", u, 2 * (found.periods - 1), "A"),
        BudgetLine("host timing", clock),
        BudgetLine("age of a reading", 2 * np.pi * LAG_HZ * READING_AGE_S / sqrt(3), systematic=True),
    )
    reason = late if both else late or f"the lines around {LAG_HZ:g} Hz cannot be used"
    return measurement(prefix + "phase_lag", recorded.joint.name, value, budget, reference="internal",
                       covariates=covariates, invalid=reason)  # fmt: skip


def lag(found: FrequencyResponse, usable: NDArray[np.bool_]) -> tuple[float, float, bool]:
    """Phase lag at LAG_HZ, rad, its standard uncertainty, and whether both lines around it are usable."""
    above = int(np.searchsorted(found.frequency_hz, LAG_HZ))
    pair = slice(above - 1, above + 1)
    phase = np.unwrap(np.angle(found.H))
    value = -float(np.interp(LAG_HZ, found.frequency_hz[pair], phase[pair]))
    u = float(np.linalg.norm(found.u[pair] / np.abs(found.H[pair]))) / 2
    return value, u, bool(usable[pair].all())


def response(recorded: Recorded, label: str) -> tuple[FrequencyResponse, float]:
    """The response of one recorded multisine, and the root mean square of its set-point, rad."""
    index, period_s = recorded.joint_index(), recorded.timing.period_ns * 1e-9
    trace = recorded.trace(label)
    command, angle = (recorded.joints(trace, what)[:, index] for what in ("setpoint", "position"))
    known = np.isfinite(command)
    first = int(np.argmax(known & (np.abs(command - command[known][0]) > 1e-4))) - 1
    rows = round(BASE_S / period_s)
    begin, end = first + RUN_IN * rows, first + (RUN_IN + PERIODS) * rows
    part = slice(begin, end)
    lines = lines_of(period_s)
    found = frequency_response(trace.time_s[part], command[part], angle[part], lines, BASE_S)
    return found, float(np.nanstd(command[part]))


def _near_mode(frequency_hz: FloatArray, stand_hz: float | None) -> NDArray[np.bool_]:
    if stand_hz is None:
        return np.zeros(len(frequency_hz), bool)
    return (frequency_hz > stand_hz / NEAR_MODE) & (frequency_hz < stand_hz * NEAR_MODE)


def _gap(found: FrequencyResponse, usable: NDArray[np.bool_], what: str) -> float:
    """Standard uncertainty of reading between two lines: against every other line left out, rectangular."""
    every = [slice(None), slice(None, None, 2), slice(1, None, 2)]
    values = []
    for part in every:
        fewer = FrequencyResponse(
            found.frequency_hz[part], found.H[part], found.u[part], found.coherence[part], found.distortion,
            found.periods,
        )  # fmt: skip
        crossing = (
            gain_crossing(fewer, HALF_POWER, usable[part]) if what == "gain"
            else phase_crossing(fewer, -np.pi / 2, usable[part])
        )  # fmt: skip
        values.append(crossing[0])
    spread = np.abs(np.array(values[1:]) - values[0])
    # Halving the distance of the lines quarters the error of a straight line between them.
    return float(np.nanmax(spread, initial=0.0)) / 2 / sqrt(3) if np.isfinite(spread).any() else 0.0


def _moved(found: FrequencyResponse, value: float, delay_s: float) -> float:
    phase = np.unwrap(np.angle(found.H))
    slope = float(np.interp(value, found.frequency_hz, np.gradient(phase, found.frequency_hz)))
    return abs(2 * np.pi * value * delay_s / slope) if np.isfinite(value) and slope else 0.0


DECLARATION = Declaration(
    name="frequency response",
    title="frequency response of a joint",
    method="the joint's set-point is a multisine of odd lines; its position over its set-point, averaged over periods",
    quantities=("bandwidth", "phase_bandwidth", "phase_lag",
                "small_bandwidth", "small_phase_bandwidth", "small_phase_lag"),
    per_joint=True,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, the joint in the middle of its hanging range",
    reference="internal: the drive's encoder and the host's clock",
    duration_s=25.0,
    move=move,
    evaluate=evaluate,
)  # fmt: skip


def run(bench: Bench, joint: JointDescription, stand_hz: float | None = None) -> tuple[Measurement, ...]:
    """Measure a joint's bandwidth: half power, -90 deg where it is reached, phase lag; at two amplitudes.

    stand_hz: the stand's own frequency (`stand_frequency`), around which nothing is read.
    """
    return run_procedure(DECLARATION, bench, joint, stand_hz=stand_hz)
