"""Control charts for one value a run: has this quantity drifted? EWMA and CUSUM, and how often they cry wolf.

The level and the spread of a quantity are not known beforehand. Each value is therefore held against those before it
and turned into a standard normal score (self-starting, Hawkins 1987, recalled): while nothing drifts the scores are
independent and exactly normal from the third value on, whatever level and spread are, so that run lengths computed for
known parameters hold. Times between false alarms are solutions of the integral equations of Crowder 1987 (EWMA) and
Page 1954 (CUSUM), both recalled, by Gauss-Legendre quadrature.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import log, nan, pi, sqrt
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.metrology.distributions import find_root, normal_cdf, normal_quantile, t_cdf, t_quantile

LAMBDA = 0.1  # EWMA: weight of the newest score; for slow drifts, and more forgiving of heavy tails than a larger one
REFERENCE = 0.5  # CUSUM: k, half the shift it is made for
CLEARED = 0.5  # share of the limit to which a signal must come back before it ends
FEWEST = 5  # values before the first that may signal
NODES = 48
FURTHEST = 8.0  # a score beyond this is as good as any
JUMPS = 0.1  # share of the false alarms left to single values: far tails are where real values are least normal
ALARMS_PER_RUN = 0.05  # false alarms expected in a run, all its quantities together
Name = Literal["EWMA", "CUSUM"]
FloatArray = NDArray[np.float64]


class Limits(NamedTuple):
    """Of one chart. drift: of the statistic, on both sides. single: of the score of a single value."""

    drift: float
    single: float


@dataclass(frozen=True, slots=True)
class Charted:
    """One quantity's chart. scores, statistic: for each value, nan before the first that could signal.

    out: whether it signals. centre: mean of those held against. low, high: beyond these the newest value is a jump; nan
    while there are too few values.
    """

    chart: Name
    limits: Limits
    scores: tuple[float, ...]
    statistic: tuple[float, ...]
    out: tuple[bool, ...]
    centre: float
    low: float
    high: float

    @property
    def signals(self) -> bool:
        """Whether the newest value lies out."""
        return bool(self.out) and self.out[-1]


def chart(values: Sequence[float], limits: Limits, *, name: Name = "EWMA", floor: float = 0.0) -> Charted:
    """Chart values in order of time. limits: from `limits_of`.

    A jump is seen by the single value, a drift by the statistic, into which no score goes that is beyond the limit of
    single values: one slip of a measurement is not remembered for weeks (combined chart, Lucas and Saccucci 1990).
    floor: the smallest standard deviation that is believed (SI); a tenth of the values' own uncertainty keeps a
    deterministic simulation, whose values do not scatter at all, from signalling for a change in the last digit.
    A drift lasts until the statistic has come back to `CLEARED` of the limit, so that one that hovers about it is not
    several. Meanwhile values are not taken into the level that later ones are held against, or a drift would become
    normal.
    """
    state = _Ewma() if name == "EWMA" else _Cusum()
    kept = _Kept(floor)
    scores, statistic, out = [], [], []
    low = high = nan
    drifts = False
    for n, x in enumerate(values):
        level = kept.level()
        if level is None:
            scores.append(nan)
            statistic.append(nan)
            out.append(False)
        else:
            if n == len(values) - 1:
                low, high = (level.value_at(edge) for edge in (-limits.single, limits.single))
            score = level.score(x)
            scores.append(score)
            statistic.append(state.add(min(limits.single, max(-limits.single, score))))
            drifts = abs(statistic[-1]) > limits.drift * (CLEARED if drifts else 1)
            out.append(drifts or abs(score) > limits.single)
        if not out[-1]:
            kept.add(x)
    return Charted(name, limits, tuple(scores), tuple(statistic), tuple(out), kept.mean, low, high)


def limits_of(name: Name, quantities: int, alarms_per_run: float = ALARMS_PER_RUN) -> Limits:
    """The limits of each of so many charts, for so many false alarms expected in one run of all of them together.

    JUMPS of them are left to single values, the rest to drifts. The expected number is a sum over the charts, however
    they depend on each other, so the rate holds for quantities that move together as well. Corrections for several
    tests (Holm, Benjamini-Hochberg) are for p values of one night; a chart remembers the nights before.
    """
    if quantities < 1 or not 0 < alarms_per_run < 1:
        raise ValueError(f"limits for {quantities} quantities at {alarms_per_run!r} false alarms a run")
    rate = alarms_per_run / quantities
    return Limits(_drift_limit(name, 1 / (rate * (1 - JUMPS))), normal_quantile(1 - rate * JUMPS / 2))


@lru_cache(maxsize=256)
def _drift_limit(name: Name, arl: float) -> float:
    length: Callable[[float], float] = (
        (lambda h: ewma_arl(h * sqrt((2 - LAMBDA) / LAMBDA), LAMBDA)) if name == "EWMA" else cusum_arl
    )
    top = 4.8 * sqrt(LAMBDA / (2 - LAMBDA)) if name == "EWMA" else 14.0
    return find_root(lambda h: log(length(h)) - log(arl), 0.02, top)


@lru_cache(maxsize=256)
def ewma_arl(width: float, lam: float = LAMBDA, shift: float = 0.0) -> float:
    """Mean number of values until an EWMA signals. width: L, its limit in its own (final) standard deviations.

    shift: of the mean, in standard deviations of a value; 0 = the time between false alarms.
    """
    h = width * sqrt(lam / (2 - lam))
    y, w = _nodes(-h, h)
    start = np.append(y, 0.0)
    kernel = _density((y[None, :] - (1 - lam) * start[:, None]) / lam - shift) * w / lam
    inner = np.linalg.solve(np.eye(len(y)) - kernel[:-1], np.ones(len(y)))
    return float(1 + kernel[-1] @ inner)


@lru_cache(maxsize=256)
def cusum_arl(h: float, k: float = REFERENCE, shift: float = 0.0) -> float:
    """Mean number of values until a two-sided CUSUM signals; k, h, shift in standard deviations of a value.

    1/ARL is the sum of those of the two sides (Kemp 1961, recalled).
    """
    return 1 / (1 / _one_sided(h, k, shift) + 1 / _one_sided(h, k, -shift))


def _one_sided(h: float, k: float, shift: float) -> float:
    y, w = _nodes(0.0, h)
    start = np.append(y, 0.0)
    # Unknowns: the run lengths from the nodes and, last, from zero, where the sum returns to with a finite probability.
    kernel = np.zeros((len(start), len(start)))
    kernel[:, :-1] = _density(y[None, :] - start[:, None] + k - shift) * w
    kernel[:, -1] = [normal_cdf(k - shift - float(s)) for s in start]
    return float(np.linalg.solve(np.eye(len(start)) - kernel, np.ones(len(start)))[-1])


def _nodes(low: float, high: float) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(NODES)
    return low + (high - low) * (x + 1) / 2, w * (high - low) / 2


def _density(x: FloatArray) -> FloatArray:
    density: FloatArray = np.exp(-x * x / 2) / sqrt(2 * pi)
    return density


@dataclass(frozen=True, slots=True)
class _Level:
    """What the values so far say of the next one, supposing that nothing has changed."""

    mean: float
    spread: float  # of the next value about the mean of those before it
    dof: float

    def score(self, x: float) -> float:
        p = t_cdf((x - self.mean) / self.spread, self.dof)
        if not 1e-15 < p < 1 - 1e-15:
            return FURTHEST if x > self.mean else -FURTHEST
        return min(FURTHEST, max(-FURTHEST, normal_quantile(p)))

    def value_at(self, score: float) -> float:
        p = min(1 - 1e-12, max(1e-12, normal_cdf(score)))
        return self.mean + self.spread * t_quantile(p, self.dof)


class _Kept:
    """Mean and spread of the values that later ones are held against (Welford 1962, recalled)."""

    def __init__(self, floor: float) -> None:
        self._floor, self._n, self._squares = floor, 0, 0.0
        self.mean = nan

    def add(self, x: float) -> None:
        self._n += 1
        before = self.mean if self._n > 1 else x
        self.mean = before + (x - before) / self._n
        self._squares += (x - before) * (x - self.mean)

    def level(self) -> _Level | None:
        if self._n < FEWEST:
            return None
        s = max(self._floor, sqrt(self._squares / (self._n - 1)))
        return _Level(self.mean, s * sqrt(1 + 1 / self._n), self._n - 1) if s > 0 else None


class _Ewma:
    def __init__(self) -> None:
        self._z = 0.0

    def add(self, score: float) -> float:
        self._z = (1 - LAMBDA) * self._z + LAMBDA * score
        return self._z


class _Cusum:
    def __init__(self) -> None:
        self._up = self._down = 0.0

    def add(self, score: float) -> float:
        """The larger of the two sums, negative for the lower one."""
        self._up = max(0.0, self._up + score - REFERENCE)
        self._down = max(0.0, self._down - score - REFERENCE)
        return self._up if self._up >= self._down else -self._down
