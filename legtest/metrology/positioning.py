"""Accuracy and repeatability of poses and paths (ISO 9283) and of an axis approached from both sides (ISO 230-2)."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Standard deviation of RP over RP, times sqrt(n - 1), for normal scatter in 1, 2 and 3 directions: delta method
# with the moments of the distances (chi distribution with as many degrees of freedom).
_RP_RELATIVE = (0.7474, 0.5737, 0.4997)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Pose repeatability of ISO 9283: value RP = mean distance + 3 sd of the distances from the barycentre.

    u: its standard uncertainty from n poses (not a number below 3 poses); dof: n - 1. Unit of the points.
    """

    value: float
    u: float
    dof: int
    mean_distance: float
    sd_distance: float


def pose_accuracy(points: ArrayLike, command: ArrayLike) -> float:
    """AP of ISO 9283: distance of the barycentre of attained points (n, d) from the command (d,)."""
    return float(np.linalg.norm(_points(points, 1).mean(axis=0) - np.asarray(command, dtype=np.float64)))


def pose_repeatability(points: ArrayLike) -> Repeatability:
    """RP of ISO 9283 of attained points (n, d), or (n,) for one axis; n >= 2.

    u supposes normal scatter in as many directions as the data show, 1 to 3.
    """
    x = _points(points, 2)
    distance = np.linalg.norm(x - x.mean(axis=0), axis=1)
    n, mean, sd = len(x), float(distance.mean()), float(distance.std(ddof=1))
    value = mean + 3 * sd
    relative = float(np.interp(_directions(x), (1, 2, 3), _RP_RELATIVE)) / sqrt(n - 1)
    u = value * relative if n > 2 else float("nan")
    return Repeatability(value, u, n - 1, mean, sd)


def path_accuracy(paths: ArrayLike, command: ArrayLike) -> float:
    """AT of ISO 9283: largest distance between command (m, d) and the mean of the attained paths (cycles, m, d)."""
    mean = _paths(paths, 1).mean(axis=0)
    return float(np.linalg.norm(mean - np.asarray(command, dtype=np.float64), axis=1).max())


def path_repeatability(paths: ArrayLike) -> Repeatability:
    """RT of ISO 9283: the largest RP over the m evaluation planes of attained paths (cycles, m, d), >= 2 cycles.

    u is that of the plane with the largest value; picking the largest of many spreads is biased upwards.
    """
    x = _paths(paths, 2)
    return max((pose_repeatability(x[:, plane]) for plane in range(x.shape[1])), key=lambda r: r.value)


@dataclass(frozen=True, slots=True)
class AxisPositioning:
    """Bidirectional characteristics of ISO 230-2:2014, unit of the deviations.

    B reversal value, B_mean its mean (signed), R repeatability, A accuracy, E systematic deviation, M range of the mean
    bidirectional deviation.
    """

    B: float
    B_mean: float
    R: float
    A: float
    E: float
    M: float


def axis_positioning(up: ArrayLike, down: ArrayLike) -> AxisPositioning:
    """ISO 230-2 from deviations (positions, runs), approached from below (up) and from above (down); >= 2 runs."""
    rising, falling = np.asarray(up, dtype=np.float64), np.asarray(down, dtype=np.float64)
    if rising.ndim != 2 or falling.ndim != 2 or len(rising) != len(falling):
        raise ValueError(f"need deviations (positions, runs) for both directions, got {rising.shape}, {falling.shape}")
    if min(rising.shape[1], falling.shape[1]) < 2:
        raise ValueError("ISO 230-2 needs at least 2 runs in each direction")
    means = np.stack([rising.mean(axis=1), falling.mean(axis=1)])
    twice = 2 * np.stack([rising.std(axis=1, ddof=1), falling.std(axis=1, ddof=1)])
    reversal = means[0] - means[1]
    both = np.maximum(twice.sum(axis=0) + np.abs(reversal), 2 * twice.max(axis=0))
    return AxisPositioning(
        B=float(np.abs(reversal).max()),
        B_mean=float(reversal.mean()),
        R=float(both.max()),
        A=float((means + twice).max() - (means - twice).min()),
        E=float(np.ptp(means)),
        M=float(np.ptp(means.mean(axis=0))),
    )


def _directions(x: FloatArray) -> float:
    """In how many directions the points scatter: (sum of the principal variances)^2 / sum of their squares."""
    covariance = np.atleast_2d(np.cov(x, rowvar=False))
    squares = float((covariance**2).sum())
    return float(np.trace(covariance)) ** 2 / squares if squares > 0 else 1.0


def _points(points: ArrayLike, least: int) -> FloatArray:
    x = np.asarray(points, dtype=np.float64)
    x = x[:, None] if x.ndim == 1 else x
    if x.ndim != 2 or len(x) < least or not np.isfinite(x).all():
        raise ValueError(f"need at least {least} finite points (n, d), got shape {x.shape}")
    return x


def _paths(paths: ArrayLike, least: int) -> FloatArray:
    x = np.asarray(paths, dtype=np.float64)
    if x.ndim != 3 or len(x) < least or not np.isfinite(x).all():
        raise ValueError(f"need at least {least} finite paths (cycles, points, d), got shape {x.shape}")
    return x
