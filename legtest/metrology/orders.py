"""Orders of a torque over an angle: which of them are there, with what amplitude."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.metrology.fitting import Fit, linear_fit
from legtest.metrology.statistics import lag1

FloatArray = NDArray[np.float64]
STRONG = 4.0  # times the standard deviation of an amplitude's parts: one order of white noise in 3000 goes beyond


@dataclass(frozen=True, slots=True)
class Order:
    """amplitude * cos(order * angle + phase), unit of the series."""

    order: int
    amplitude: float
    phase_rad: float


@dataclass(frozen=True, slots=True)
class Orders:
    """Unit of the series.

    strong: the orders that stand out, strongest first (at least the strongest). noise: standard deviation of noise in
    the cosine or sine part of one order. constant, u_constant: what is left without orders and sine, its
    uncertainty widened for the autocorrelation of what is left, with dof. sine: amplitude.
    """

    strong: tuple[Order, ...]
    noise: float
    constant: float
    u_constant: float
    dof: float
    sine: float


def orders(
    angle_rad: ArrayLike, values: ArrayLike, sine_of_rad: ArrayLike, wanted: Iterable[int], most: int = 12
) -> Orders:
    """Split values (n,) over an angle (n,) into a constant, a sine of another angle, and orders per turn.

    The arc need not be a whole turn: orders are taken one by one, the strongest first, and all that were taken are
    fitted again together with what is left (orthogonal matching pursuit; Pati, Rezaiifar, Krishnaprasad 1993).
    sine_of_rad (n,): the angle of the weight. Raises ValueError for fewer values than twice as many as can be fitted.
    """
    angle, y, weight = (np.asarray(a, np.float64) for a in (angle_rad, values, sine_of_rad))
    candidates = np.array(sorted(set(wanted)))
    if len(y) < 4 * (most + 2):
        raise ValueError(f"{len(y)} values are too few for {most} orders: at least {4 * (most + 2)}")
    base = np.column_stack([np.ones_like(y), np.sin(weight), np.cos(weight)])
    waves = np.exp(1j * np.outer(candidates, angle))
    taken: list[int] = []
    fit = _fit(base, waves, taken, y)
    while len(taken) < most:
        share = np.abs(waves.conj() @ fit.residuals) * 2 / len(y)
        # A neighbour that the arc cannot tell from an order already taken is none of its own.
        share[[any(abs(o - candidates[t]) <= _leak(angle) for t in taken) for o in candidates]] = 0.0
        best = int(np.argmax(share))
        if taken and share[best] < STRONG * fit.residual_sd * sqrt(2 / len(y)):
            break
        taken.append(best)
        fit = _fit(base, waves, taken, y)
    correlation = min(0.95, max(0.0, lag1(fit.residuals)))
    widening = (1 + correlation) / (1 - correlation)  # variance of a mean of AR(1) noise over that of white noise
    parts = fit.coefficients[3:].reshape(-1, 2)
    found = [
        Order(int(candidates[t]), float(np.hypot(*part)), float(np.arctan2(-part[1], part[0])))
        for t, part in zip(taken, parts, strict=True)
    ]
    return Orders(
        tuple(sorted(found, key=lambda order: -order.amplitude)),
        fit.residual_sd * sqrt(2 / len(y)),
        float(fit.coefficients[0]),
        fit.u(0) * sqrt(widening),
        max(1.0, fit.dof / widening),
        float(np.hypot(*fit.coefficients[1:3])),
    )


def _leak(angle: FloatArray) -> float:
    """Orders nearer than this cannot be told apart on the arc."""
    return float(2 * np.pi / np.ptp(angle))


def _fit(base: FloatArray, waves: NDArray[np.complex128], taken: list[int], y: FloatArray) -> Fit:
    columns = [part for t in taken for part in (waves[t].real, waves[t].imag)]
    return linear_fit(np.column_stack([base, *columns]), y)
