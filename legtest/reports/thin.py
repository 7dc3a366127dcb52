"""Fewer points for a drawing, without losing an extreme: a spike of two samples stays visible."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def strokes(values: NDArray[np.float64], columns: int) -> list[NDArray[np.int64]]:
    """Which samples to draw, as runs of indices; between runs the line is broken where samples are missing (NaN).

    values: (n,). Up to two samples a column are drawn as they are. Beyond, each of `columns` bins keeps its smallest
    and its largest sample, in the order they came, so the envelope of the drawing is exact (min-max thinning).
    """
    n = len(values)
    if n <= 2 * columns:
        return _runs(np.flatnonzero(~np.isnan(values)), np.arange(n))
    size = -(-n // columns)
    padded = np.full(size * columns, np.nan)
    padded[:n] = values
    bins = padded.reshape(columns, size)
    missing = np.isnan(bins)
    low = np.where(missing, np.inf, bins).argmin(axis=1)
    high = np.where(missing, -np.inf, bins).argmax(axis=1)
    kept = np.flatnonzero(~missing.all(axis=1))
    picked = np.sort(np.stack([low, high], axis=1)[kept] + kept[:, None] * size, axis=1)
    return [run.reshape(-1) for run in np.split(picked, np.flatnonzero(np.diff(kept) > 1) + 1) if run.size]


def _runs(present: NDArray[np.int64], where: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    return [where[run] for run in np.split(present, np.flatnonzero(np.diff(present) > 1) + 1) if run.size]


def ticks(low: float, high: float, about: int) -> list[float]:
    """About that many round numbers (1, 2, 5 times a power of ten) within low..high."""
    if not (np.isfinite(low) and np.isfinite(high)) or high <= low:
        return []
    raw = (high - low) / max(1, about)
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(factor for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999) * power
    first = np.ceil(low / step - 1e-9)
    count = int(np.floor(high / step + 1e-9) - first) + 1
    return [float(np.round((first + n) * step, 12)) + 0.0 for n in range(count)]
