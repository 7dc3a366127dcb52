"""Stribeck's curve: friction over speed with a part that is lost as soon as the joint turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.metrology.fitting import linear_fit

FloatArray = NDArray[np.float64]
GRID = 60  # Stribeck speeds that are tried first


@dataclass(frozen=True, slots=True)
class FrictionCurve:
    """friction = coulomb + extra exp(-(speed / stribeck)^2) + viscous speed, units of the series.

    u_...: standard uncertainties from the residuals with dof = n - 4, the Stribeck speed being found as well.
    """

    coulomb: float
    extra: float
    viscous: float
    stribeck: float
    u_coulomb: float
    u_extra: float
    u_viscous: float
    u_stribeck: float
    dof: int


def friction_curve(speed: ArrayLike, friction: ArrayLike) -> FrictionCurve:
    """Fit Stribeck's curve in the form of Armstrong-Helouvry (1991) to friction (n,) at positive speeds (n,).

    Linear least squares for each of many Stribeck speeds, on a grid that is refined around the best (variable
    projection; Golub and Pereyra 1973), up to the geometric mean of the slowest and the fastest speed: beyond it, the
    curve is no other than a viscous one. Raises ValueError for fewer than 5 different speeds.
    """
    v, y = np.asarray(speed, np.float64), np.asarray(friction, np.float64)
    if v.shape != y.shape or len(np.unique(v)) < 5 or not (v > 0).all():
        raise ValueError(f"Stribeck's curve needs friction at 5 or more different positive speeds, got {v.tolist()}")
    low, high = float(v.min()), float(np.sqrt(v.min() * v.max()))
    for count in (GRID, 9, 9, 9, 9, 9, 9, 9):
        grid = np.geomspace(low, high, count)
        best = float(grid[int(np.argmin([_cost(v, y, s) for s in grid]))])
        low, high = best * (grid[0] / grid[1]), best * (grid[1] / grid[0])
    fit = linear_fit(_design(v, best), y)
    extra = float(fit.coefficients[1])
    # The slope over the Stribeck speed is the fourth column of the whole problem.
    slope = extra * np.exp(-((v / best) ** 2)) * 2 * v**2 / best**3
    if np.abs(slope).max() > 1e-9 * max(1e-12, np.abs(y).max()):
        whole = linear_fit(np.column_stack([_design(v, best), slope]), y)
        us = [whole.u(i) for i in range(4)]
    else:
        us = [*(fit.u(i) for i in range(3)), float("inf")]
    coulomb, _, viscous = (float(c) for c in fit.coefficients)
    return FrictionCurve(coulomb, extra, viscous, best, us[0], us[1], us[2], us[3], len(v) - 4)


def _design(v: FloatArray, stribeck: float) -> FloatArray:
    return np.column_stack([np.ones_like(v), np.exp(-((v / stribeck) ** 2)), v])


def _cost(v: FloatArray, y: FloatArray, stribeck: float) -> float:
    design = _design(v, stribeck)
    rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return float(rest @ rest)
