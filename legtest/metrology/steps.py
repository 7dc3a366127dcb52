"""What a step response says: rise, overshoot, settling; and the same words as ISO 9283 has them for a pose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.metrology.signals import crossings

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StepResponse:
    """Of a response that goes from 0 to 1. Times in s from t = 0, NaN where the response never does it.

    rise_s: from 10 % to 90 %. overshoot: largest value minus 1, not below 0. peak_s: when that is. settling_s: when it
    enters the band around 1 for good.
    """

    rise_s: float
    overshoot: float
    peak_s: float
    settling_s: float


def step_response(t_s: ArrayLike, y: ArrayLike, *, band: float = 0.02, parts: int = 20) -> StepResponse:
    """The figures of a response y (n,), scaled so that it starts at 0 and ends at 1, over t (n,) with the step at 0.

    Between samples the response is a cubic spline, looked at `parts` times in each. Raises ValueError for fewer than
    4 samples or values that are not finite.
    """
    t, x = spline(t_s, y, parts)
    first, last = crossings(t, x, 0.1, direction=1), crossings(t, x, 0.9, direction=1)
    top = int(np.argmax(x))
    outside = np.flatnonzero(np.abs(x - 1) > band)
    # From the last sample outside, linear to the edge of the band that it came from.
    settling = float("nan")
    if len(outside) and outside[-1] + 1 < len(x):
        i = int(outside[-1])
        edge = 1 + band if x[i] > 1 else 1 - band
        settling = float(t[i] + (edge - x[i]) / (x[i + 1] - x[i]) * (t[i + 1] - t[i]))
    return StepResponse(
        rise_s=float(last[0] - first[0]) if len(first) and len(last) else float("nan"),
        overshoot=max(0.0, float(x[top]) - 1),
        peak_s=float(t[top]),
        settling_s=settling,
    )


def stabilisation(t_s: ArrayLike, points: ArrayLike, attained: ArrayLike, *, band: float) -> tuple[float, float]:
    """Pose stabilisation time and overshoot of ISO 9283:1998, 7.4 and 7.5: (s, unit of the points).

    points (n, d) over t (n,), attained (d,) the pose it comes to. Time from the first entry into the band to the last;
    overshoot: largest distance from the attained pose after the first entry, 0 when it never leaves the band again.
    Raises ValueError when the band is never entered for good.
    """
    t, x = np.asarray(t_s, dtype=np.float64), np.asarray(points, dtype=np.float64).reshape(len(np.atleast_1d(t_s)), -1)
    distance = np.linalg.norm(x - np.asarray(attained, dtype=np.float64), axis=1)
    entries = crossings(t, distance, band, direction=-1)
    if not len(entries) or distance[-1] > band:
        raise ValueError(f"the pose does not settle within {band:g}")
    if len(entries) == 1:
        return 0.0, 0.0
    return float(entries[-1] - entries[0]), float(distance[t > entries[0]].max())


def spline(t_s: ArrayLike, y: ArrayLike, parts: int) -> tuple[FloatArray, FloatArray]:
    """A natural cubic spline through samples y (n,) at t (n,), evaluated at `parts` points in each interval.

    Returns ((n - 1) parts + 1,) each. Raises ValueError for fewer than 4 samples or values that are not finite.
    """
    t, x = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if len(t) < 4 or t.shape != x.shape or not (np.isfinite(t).all() and np.isfinite(x).all()):
        raise ValueError(f"a spline needs at least 4 finite samples, one value for each instant, got {len(t)}")
    h, slope = np.diff(t), np.diff(x) / np.diff(t)
    bend = np.zeros(len(t))  # second derivatives; 0 at both ends
    bend[1:-1] = _tridiagonal(2 * (h[:-1] + h[1:]), h[1:-1], 6 * np.diff(slope))
    u = np.arange(parts) / parts
    a, b = (1 - u), u
    rows = (
        a * x[:-1, None] + b * x[1:, None]
        + ((a**3 - a) * bend[:-1, None] + (b**3 - b) * bend[1:, None]) * (h[:, None] ** 2) / 6
    )  # fmt: skip
    times = t[:-1, None] + u * h[:, None]
    return np.append(times.ravel(), t[-1]), np.append(rows.ravel(), x[-1])


def _tridiagonal(diagonal: FloatArray, beside: FloatArray, right: FloatArray) -> FloatArray:
    """Solve a symmetric system with a dominant diagonal, by elimination downwards and substitution upwards."""
    d, r, e = diagonal.tolist(), right.tolist(), beside.tolist()
    for i in range(1, len(d)):
        share = e[i - 1] / d[i - 1]
        d[i] -= share * e[i - 1]
        r[i] -= share * r[i - 1]
    r[-1] /= d[-1]
    for i in range(len(d) - 2, -1, -1):
        r[i] = (r[i] - e[i] * r[i + 1]) / d[i]
    return np.asarray(r, dtype=np.float64)
