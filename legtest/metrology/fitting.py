"""Least squares and robust lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


SPIKE = 6.0  # normal scatter reaches it once in 500 million samples


@dataclass(frozen=True, slots=True)
class Fit:
    """A linear least squares fit of p coefficients to n values.

    coefficients (p,); covariance (p, p), from the residuals; residuals (n,); residual_sd with dof = n - p (0 when
    dof is 0, where no uncertainty can be had and the covariance is not a number).
    """

    coefficients: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    residual_sd: float
    dof: int

    def u(self, index: int) -> float:
        """Standard uncertainty of one coefficient."""
        return float(np.sqrt(self.covariance[index, index]))

    def at(self, row: ArrayLike) -> tuple[float, float]:
        """The fitted value for one design row (p,) and its standard uncertainty."""
        x = np.asarray(row, dtype=np.float64)
        return float(x @ self.coefficients), float(np.sqrt(x @ self.covariance @ x))


def linear_fit(design: ArrayLike, y: ArrayLike) -> Fit:
    """Least squares of y (n,) on the columns of design (n, p).

    By QR of the design with its columns scaled to length 1, sound for badly conditioned columns.
    Raises ValueError for too few rows, values that are not finite or columns that depend on each other.
    """
    x, values = np.asarray(design, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.ndim != 2 or values.shape != (len(x),) or len(x) < x.shape[1]:
        raise ValueError(f"a fit needs a design (n, p) with n >= p and n values, got {x.shape} and {values.shape}")
    if not (np.isfinite(x).all() and np.isfinite(values).all()):
        raise ValueError("a fit needs finite values; leave out the rows that are not")
    scale = np.linalg.norm(x, axis=0)
    if (scale == 0).any():
        raise ValueError("a column of the design is zero throughout")
    q, r = np.linalg.qr(x / scale)
    if np.abs(np.diag(r)).min() < 1e-13:
        raise ValueError("columns of the design depend on each other: the data cannot tell the coefficients apart")
    beta = np.linalg.solve(r, q.T @ values)
    residuals = values - x / scale @ beta
    dof = len(values) - x.shape[1]
    variance = float(residuals @ residuals) / dof if dof else float("nan")
    inverse = np.linalg.inv(r) / scale[:, None]
    sd = float(np.sqrt(variance)) if dof else 0.0
    return Fit(beta / scale, variance * inverse @ inverse.T, residuals, sd, dof)


def line_fit(x: ArrayLike, y: ArrayLike) -> Fit:
    """Straight line y = c0 + c1 x through series of the same length."""
    return polynomial_fit(x, y, 1)


def line_fit_without_spikes(x: ArrayLike, y: ArrayLike) -> Fit:
    """Straight line through samples some of which are wild: those beyond SPIKE robust standard deviations are left out.

    The robust standard deviation of the residuals of a first fit is 1.4826 times their median size (normal scatter).
    """
    px, py = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    size = np.abs(line_fit(px, py).residuals)
    kept = size <= SPIKE * 1.4826 * np.median(size)
    return line_fit(px[kept], py[kept]) if kept.sum() > 2 else line_fit(px, py)


def polynomial_fit(x: ArrayLike, y: ArrayLike, degree: int) -> Fit:
    """Polynomial of a degree; coefficients rise with the power of x."""
    return linear_fit(np.vander(np.asarray(x, dtype=np.float64), degree + 1, increasing=True), y)


def theil_sen(x: ArrayLike, y: ArrayLike) -> tuple[float, float]:
    """Slope and intercept of a line that up to 29 % of wild values do not move (Theil 1950, Sen 1968).

    Median of the slopes of all pairs, and median(y) - slope * median(x). Needs memory for n^2 / 2 pairs.
    """
    px, py = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    first, second = np.triu_indices(len(px), 1)
    dx = px[second] - px[first]
    apart = dx != 0
    if not apart.any():
        raise ValueError("a slope needs at least two different x")
    slope = float(np.median((py[second] - py[first])[apart] / dx[apart]))
    return slope, float(np.median(py) - slope * np.median(px))
