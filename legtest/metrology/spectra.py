"""Multisines, and the frequency response they give: periods averaged against the reference, with coherence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

TRIES = 200  # sets of phases, of which the one with the lowest peak is taken


def odd_lines(lowest: int, highest: int, count: int) -> FloatArray:
    """About `count` odd multiples of a base frequency, evenly spread over the logarithm; the rest stay silent.

    Only odd lines are used, so that what a nonlinear joint adds shows on the lines left out.
    """
    wanted = np.geomspace(lowest, highest, count)
    return np.unique(2 * np.round((wanted - 1) / 2) + 1)


def multisine(lines: ArrayLike, amplitudes: ArrayLike, rows: int) -> FloatArray:
    """One period (rows,) of sum a cos(2 pi line row / rows + phase), with phases of a low peak, always the same."""
    k, a = np.asarray(lines, dtype=np.float64), np.asarray(amplitudes, dtype=np.float64)
    rng = np.random.default_rng(1)
    turn = 2 * np.pi * np.outer(np.arange(rows) / rows, k)
    tried = [np.cos(turn + rng.uniform(0, 2 * np.pi, len(k))) @ a for _ in range(TRIES)]
    # The peak of the speed is what limits a joint.
    return min(tried, key=lambda x: float(np.abs(np.diff(x, append=x[0])).max()))


def sines_fit(turns: ArrayLike, y: ArrayLike, lines: ArrayLike) -> ComplexArray:
    """Complex amplitudes (lines,) of y (n,) = mean + sum Re(c exp(2 pi i line turns)); rows with NaN are left out.

    turns (n,): time over the base period. The three-parameter sine fit of IEEE Std 1057 for several frequencies.
    """
    k, x, values = (np.asarray(v, dtype=np.float64) for v in (lines, turns, y))
    good = np.isfinite(values)
    angle = 2 * np.pi * np.outer(x[good], k)
    design = np.hstack([np.cos(angle), -np.sin(angle), np.ones((len(angle), 1))])
    # Over whole periods the columns are all but orthogonal, so the normal equations are sound.
    found = np.linalg.solve(design.T @ design, design.T @ values[good])
    return np.asarray(found[: len(k)] + 1j * found[len(k) : 2 * len(k)], dtype=np.complex128)


@dataclass(frozen=True, slots=True)
class FrequencyResponse:
    """Response at each line, (lines,): H = output over reference.

    u: standard uncertainty of |H| (and, over |H|, of the phase in rad) from the scatter of the periods. coherence:
    share of the output's power that the reference explains, period by period. distortion: root mean square of the
    output on silent lines over that on the excited ones. periods: how many were averaged.
    """

    frequency_hz: FloatArray
    H: ComplexArray
    u: FloatArray
    coherence: FloatArray
    distortion: float
    periods: int


def frequency_response(
    t_s: ArrayLike, reference: ArrayLike, output: ArrayLike, lines: ArrayLike, period_s: float
) -> FrequencyResponse:
    """Reference-based estimate from whole periods: H = mean(Y conj(U)) / mean(|U|^2) at each line.

    t (n,) over at least two periods of period_s; reference and output (n,) may have gaps (NaN). lines: odd multiples of
    1 / period_s. The reference is what was asked for, so neither noise nor feedback biases the estimate.
    Raises ValueError for fewer than two whole periods.
    """
    t, k = np.asarray(t_s, dtype=np.float64), np.asarray(lines, dtype=np.float64)
    turns = (t - t[0]) / period_s
    count = int(np.floor(turns[-1] + 1.5 * float(np.median(np.diff(turns)))))
    if count < 2:
        raise ValueError(f"a frequency response needs at least 2 whole periods, got {turns[-1]:.2f}")
    silent = np.setdiff1d(np.arange(1.0, k.max() + 1), k)
    every = np.concatenate([k, silent])
    u, y = np.asarray(reference, dtype=np.float64), np.asarray(output, dtype=np.float64)
    parts = [(turns >= n - 1e-6) & (turns < n + 1 - 1e-6) for n in range(count)]
    U = np.array([sines_fit(turns[p], u[p], k) for p in parts])
    Y_all = np.array([sines_fit(turns[p], y[p], every) for p in parts])
    Y = Y_all[:, : len(k)]
    cross, power = (Y * U.conj()).mean(axis=0), (np.abs(U) ** 2).mean(axis=0)
    H = cross / power
    residual = ((np.abs(Y - H * U) ** 2).sum(axis=0)) / (2 * (count - 1))  # of one of the two parts
    mean_silent = np.abs(Y_all[:, len(k) :].mean(axis=0)) ** 2
    distortion = np.sqrt(mean_silent.sum() / (np.abs(Y.mean(axis=0)) ** 2).sum()) if len(silent) else np.nan
    return FrequencyResponse(
        frequency_hz=k / period_s,
        H=H,
        u=np.sqrt(residual / count / power),
        coherence=np.abs(cross) ** 2 / (power * (np.abs(Y) ** 2).mean(axis=0)),
        distortion=float(distortion),
        periods=count,
    )


def gain_crossing(found: FrequencyResponse, gain: float, usable: BoolArray) -> tuple[float, float]:
    """Lowest frequency (Hz) at which |H| falls through a gain and its standard uncertainty; NaN where it does not.

    Linear in gain over log frequency between the two lines around the crossing, both of which must be usable.
    """
    return _crossing(found, np.abs(found.H) - gain, found.u, usable)


def phase_crossing(found: FrequencyResponse, phase_rad: float, usable: BoolArray) -> tuple[float, float]:
    """As `gain_crossing`, for the unwrapped phase."""
    phase = np.unwrap(np.angle(found.H))
    return _crossing(found, phase - phase_rad, found.u / np.abs(found.H), usable)


def _crossing(found: FrequencyResponse, excess: FloatArray, u: FloatArray, usable: BoolArray) -> tuple[float, float]:
    for i in range(len(excess) - 1):
        if excess[i] >= 0 > excess[i + 1]:
            if not (usable[i] and usable[i + 1]):
                return float("nan"), float("nan")
            low, high = np.log(found.frequency_hz[i : i + 2])
            share = excess[i] / (excess[i] - excess[i + 1])
            slope = (excess[i + 1] - excess[i]) / (high - low)
            frequency = float(np.exp(low + share * (high - low)))
            scatter = np.hypot((1 - share) * u[i], share * u[i + 1])
            return frequency, float(frequency * scatter / abs(slope))
    return float("nan"), float("nan")
