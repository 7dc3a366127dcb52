"""What a sampled series says: delay, gain and residual of a tracked path; where it crosses a level."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.metrology.fitting import Fit, linear_fit
from legtest.metrology.statistics import lag1

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tracking:
    """actual(t) = gain * command(t - delay) + offset + residual.

    u_delay_s, u_gain: standard uncertainties from the residual, widened for its autocorrelation; dof: their degrees of
    freedom, counted with the number of independent samples. offset (columns,); residual_rms: root mean square length
    of the residual vector; rows: rows that were used.
    """

    delay_s: float
    u_delay_s: float
    gain: float
    u_gain: float
    offset: FloatArray
    residual_rms: float
    dof: float
    rows: int


def track(
    t_s: ArrayLike, command: ArrayLike, actual: ArrayLike, *, most_delay_s: float = 0.1, offset: bool = True
) -> Tracking:
    """Split a tracked path into delay, gain, offset and residual by least squares on the shifted command.

    t_s (n,) rising, command and actual (n,) or (n, columns) with one delay and one gain for all columns. The delay is
    sought in +- most_delay_s (keep that below half a period of the path) and may be any fraction of a sample; between
    samples the command is a cubic. Rows with NaN are left out. offset=False: no offset, for paths whose delay and
    offset cannot be told apart (constant speed, where the error is speed * delay).
    Raises ValueError when shapes differ, the path is too short, does not move, does not tell delay from offset, or when
    no delay in the range explains the actual path.
    """
    t = np.asarray(t_s, dtype=np.float64)
    r, y = (np.asarray(a, dtype=np.float64).reshape(len(t), -1) for a in (command, actual))
    if r.shape != y.shape:
        raise ValueError(f"command {r.shape} and actual {y.shape} must have the same shape")
    usable = np.isfinite(y).all(axis=1) & (t - most_delay_s >= t[0]) & (t + most_delay_s <= t[-1])
    step = float(np.median(np.diff(t)))
    grid = np.arange(-ceil(most_delay_s / step), ceil(most_delay_s / step) + 1) * step
    for delay in (-most_delay_s, 0.0, most_delay_s):
        usable &= np.isfinite(_at(t, r, t - delay)[0]).all(axis=1)
    path = _Path(t, r, y, usable, offset)
    if path.rows < 8:
        raise ValueError(f"only {path.rows} usable rows: the path must be longer than twice {most_delay_s} s")
    if np.ptp(r[usable], axis=0).max() <= 1e-12 * max(1.0, np.abs(r[usable]).max()):
        raise ValueError("the command does not move: there is nothing to track")
    delay = min(np.clip(grid, -most_delay_s, most_delay_s).tolist(), key=path.cost)
    for _ in range(50):
        change = path.step(delay)
        delay += change
        if abs(change) < 1e-10:
            return path.result(delay)
        if abs(delay) > most_delay_s:
            raise ValueError(f"no delay within +- {most_delay_s} s explains the actual path")
    raise ValueError("the delay cannot be determined: the actual path does not follow the command")


class _Path:
    """Command and actual over the usable rows, fitted for a given delay."""

    def __init__(self, t: FloatArray, r: FloatArray, y: FloatArray, usable: BoolArray, offset: bool) -> None:
        self._t, self._r, self._usable, self._columns = t, r, usable, r.shape[1]
        self.rows = int(usable.sum())
        self._y = y[usable].T.ravel()
        self._offsets = np.kron(np.eye(self._columns), np.ones((self.rows, 1))) if offset else None

    def _design(self, delay: float, slope_too: bool) -> FloatArray:
        """Columns: command at t - delay, its slope if asked, one offset for each column of the path."""
        r, slope = _at(self._t, self._r, self._t[self._usable] - delay)
        columns = [r.T.ravel()[:, None]] + ([slope.T.ravel()[:, None]] if slope_too else [])
        return np.hstack(columns + ([self._offsets] if self._offsets is not None else []))

    def cost(self, delay: float) -> float:
        x = self._design(delay, slope_too=False)
        solution = np.linalg.lstsq(x, self._y, rcond=None)[0]
        return float(((self._y - x @ solution) ** 2).sum())

    def step(self, delay: float) -> float:
        """Gauss-Newton: y ~ gain r(t - delay) - gain r'(t - delay) change."""
        fit = self._fit(delay)
        gain = float(fit.coefficients[0])
        return -float(fit.coefficients[1]) / gain if gain else float("inf")

    def _fit(self, delay: float) -> Fit:
        try:
            return linear_fit(self._design(delay, slope_too=True), self._y)
        except ValueError as error:
            raise ValueError(f"the path does not tell delay, gain and offset apart: {error}") from None

    def result(self, delay: float) -> Tracking:
        fit = self._fit(delay)
        gain = float(fit.coefficients[0])
        by_column = fit.residuals.reshape(self._columns, self.rows)
        correlation = min(0.999, max(0.0, *(lag1(column) for column in by_column)))
        widening = (1 + correlation) / (1 - correlation)  # variance of a mean of AR(1) noise over that of white noise
        independent = self.rows * self._columns / widening
        return Tracking(
            delay_s=delay,
            u_delay_s=sqrt(widening) * fit.u(1) / abs(gain),
            gain=gain,
            u_gain=sqrt(widening) * fit.u(0),
            offset=fit.coefficients[2:],
            residual_rms=float(np.sqrt((by_column**2).sum(axis=0).mean())),
            dof=max(1.0, independent - len(fit.coefficients)),
            rows=self.rows,
        )


def _at(t: FloatArray, r: FloatArray, when: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The command (n, columns) and its slope at other instants, a cubic between neighbouring samples (Hermite)."""
    slopes = np.gradient(r, t, axis=0)
    i = np.clip(np.searchsorted(t, when, side="right") - 1, 0, len(t) - 2)
    h = (t[i + 1] - t[i])[:, None]
    s = (when - t[i])[:, None] / h
    a, b, da, db = r[i], r[i + 1], slopes[i] * h, slopes[i + 1] * h
    value = (1 + 2 * s) * (1 - s) ** 2 * a + s * (1 - s) ** 2 * da + s**2 * (3 - 2 * s) * b + s**2 * (s - 1) * db
    slope = (6 * s**2 - 6 * s) * (a - b) + (3 * s**2 - 4 * s + 1) * da + (3 * s**2 - 2 * s) * db
    return value, slope / h


def crossings(t_s: ArrayLike, y: ArrayLike, level: float, *, direction: int = 0) -> FloatArray:
    """Instants (s) at which a series crosses a level, linear between samples; a touch is no crossing.

    direction: +1 only upwards, -1 only downwards, 0 both. A gap (NaN) hides what happens in it.
    """
    t, x = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64) - level
    kept = np.flatnonzero(x != 0)  # a sample on the level is passed over: its neighbours say whether it was crossed
    a, b = kept[:-1], kept[1:]
    crossed = (np.sign(x[a]) * np.sign(x[b]) < 0) & ((direction == 0) | (np.sign(x[b]) == direction))
    a, b = a[crossed], b[crossed]
    exact = b - a > 1  # samples on the level lie between: the crossing is the first of them
    times: FloatArray = np.where(exact, t[np.minimum(a + 1, len(t) - 1)], t[a] - x[a] * (t[b] - t[a]) / (x[b] - x[a]))
    return times
