"""A free vibration that dies away: its frequency and damping."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.metrology.fitting import Fit, linear_fit
from legtest.metrology.statistics import lag1

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ringing:
    """y = polynomial + exp(-zeta w t) a cos(w_d t + phase), w = 2 pi frequency_hz, w_d = w sqrt(1 - zeta^2).

    frequency_hz is the undamped one. u: standard uncertainties, widened for the residual's autocorrelation, with dof.
    amplitude: at the first sample; residual_sd: of what is left, same unit.
    """

    frequency_hz: float
    u_frequency_hz: float
    damping: float
    u_damping: float
    amplitude: float
    residual_sd: float
    dof: float


def ringing(t_s: ArrayLike, y: ArrayLike, *, lowest_hz: float, highest_hz: float, degree: int = 2) -> Ringing:
    """Fit a vibration that dies away on top of a polynomial in time to y (n,) over t (n,); rows with NaN are left out.

    Frequency and damping are sought on a grid and refined by Gauss-Newton. Raises ValueError when fewer than 20 rows
    are left, or when the fit does not come to rest between the two frequencies.
    """
    t, x = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(x)
    t, x = t[good] - (t[good][0] if good.any() else 0.0), x[good]
    if len(t) < 20:
        raise ValueError(f"only {len(t)} samples: too few for a vibration")
    count = int(np.ceil(2 * (highest_hz - lowest_hz) * float(t[-1]))) + 2  # half of what the length resolves
    grid = [(2 * pi * f, z) for f in np.linspace(lowest_hz, highest_hz, count) for z in (0.02, 0.1)]
    w, zeta = min(grid, key=lambda p: float((_fit(t, x, p[0], p[1], degree).residuals ** 2).sum()))
    for _ in range(60):
        fit = _sloped(t, x, w, zeta, degree)
        dw, dz = float(fit.coefficients[0]), float(fit.coefficients[1])
        share = min(1.0, 0.1 * w / max(abs(dw), 1e-300), 0.05 / max(abs(dz), 1e-300))
        w, zeta = w + share * dw, min(0.95, max(-0.2, zeta + share * dz))
        if abs(dw) < 1e-9 * w and abs(dz) < 1e-9:
            break
    frequency = w / (2 * pi)
    if not lowest_hz <= frequency <= highest_hz:
        raise ValueError(f"no vibration between {lowest_hz:g} and {highest_hz:g} Hz")
    correlation = min(0.99, max(0.0, lag1(fit.residuals)))
    widening = (1 + correlation) / (1 - correlation)
    amplitude = float(np.hypot(*_fit(t, x, w, zeta, degree).coefficients[:2]))
    return Ringing(
        frequency, sqrt(widening) * fit.u(0) / (2 * pi), zeta, sqrt(widening) * fit.u(1), amplitude, fit.residual_sd,
        max(1.0, fit.dof / widening),
    )  # fmt: skip


def _columns(t: FloatArray, w: float, zeta: float, degree: int) -> FloatArray:
    turning = w * np.sqrt(1 - zeta**2) * t
    dying = np.exp(-zeta * w * t)
    power = np.vander(t / t[-1], degree + 1, increasing=True)
    return np.column_stack([dying * np.cos(turning), dying * np.sin(turning), power])


def _fit(t: FloatArray, x: FloatArray, w: float, zeta: float, degree: int) -> Fit:
    return linear_fit(_columns(t, w, zeta, degree), x)


def _sloped(t: FloatArray, x: FloatArray, w: float, zeta: float, degree: int) -> Fit:
    """The fit with two more columns in front: the model's slopes over frequency (rad/s) and damping."""
    at = _fit(t, x, w, zeta, degree).coefficients
    small_w, small_z = 1e-6 * w, 1e-6
    slopes = [
        (_columns(t, w + small_w, zeta, degree) - _columns(t, w - small_w, zeta, degree)) @ at / (2 * small_w),
        (_columns(t, w, zeta + small_z, degree) - _columns(t, w, zeta - small_z, degree)) @ at / (2 * small_z),
    ]
    return linear_fit(np.column_stack([*slopes, _columns(t, w, zeta, degree)]), x)
