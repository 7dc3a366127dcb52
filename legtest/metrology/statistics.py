"""Means, spreads, intervals and sample sizes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from math import ceil, exp, fsum, inf, lgamma, log, log1p, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike

from legtest.metrology.distributions import (
    beta_quantile,
    chi2_quantile,
    chi2_sf,
    find_root,
    normal_cdf,
    normal_quantile,
)


def mean(values: ArrayLike) -> float:
    """Arithmetic mean of a 1-D series, correctly rounded summation. ValueError when empty or not finite."""
    x = _series(values, 1)
    return fsum(x) / len(x)


def sd(values: ArrayLike) -> float:
    """Sample standard deviation (denominator n - 1) of at least 2 values; two passes with correction."""
    x = _series(values, 2)
    m = fsum(x) / len(x)
    deviations = [v - m for v in x]
    return sqrt(max(0.0, fsum(d * d for d in deviations) - fsum(deviations) ** 2 / len(x)) / (len(x) - 1))


def lag1(values: ArrayLike) -> float:
    """Lag-1 autocorrelation coefficient, in [-1, 1]; 0 for a constant series (NIST StRD definition)."""
    x = _series(values, 2)
    m = fsum(x) / len(x)
    d = [v - m for v in x]
    total = fsum(v * v for v in d)
    return fsum(a * b for a, b in pairwise(d)) / total if total > 0 else 0.0


def sd_uncertainty(s: float, n: int) -> float:
    """Standard uncertainty of a sample standard deviation s of n >= 2 normal values (JCGM 100 table E.1).

    Exact, s sqrt(1 - c4^2) / c4 with c4 = E(s) / sigma; close to s / sqrt(2 (n - 1)) from n = 10 on.
    """
    if n < 2:
        raise ValueError(f"a standard deviation needs at least 2 values, got {n}")
    c4 = sqrt(2 / (n - 1)) * exp(lgamma(n / 2) - lgamma((n - 1) / 2))
    return s * sqrt(1 - c4 * c4) / c4


def sd_interval(s: float, n: int, confidence: float) -> tuple[float, float]:
    """Two-sided chi-square interval for sigma from a sample standard deviation s of n >= 2 normal values."""
    if n < 2:
        raise ValueError(f"a standard deviation needs at least 2 values, got {n}")
    tail, dof = (1 - confidence) / 2, n - 1
    return s * sqrt(dof / chi2_quantile(1 - tail, dof)), s * sqrt(dof / chi2_quantile(tail, dof))


@lru_cache(maxsize=256)
def tolerance_factor(n: int, content: float, confidence: float, *, two_sided: bool = True) -> float:
    """k such that mean +- k s (two-sided) or mean + k s holds `content` of a normal population with `confidence`.

    Exact factors of ISO 16269-6 (mean and sd both unknown), not Howe's approximation. n >= 2.
    """
    if n < 2:
        raise ValueError(f"a tolerance factor needs n >= 2, got {n}")
    z = normal_quantile(content)
    if two_sided:

        def confidence_of(k: float) -> float:
            return 2 * _over_mean(lambda m: _half_width(m, content) / k, 0.0, inf, n)
    else:

        def confidence_of(k: float) -> float:
            # a mean above the content's quantile is safe whatever s is
            return _over_mean(lambda m: (z - m) / k, -inf, z, n) + 1 - normal_cdf(z * sqrt(n))

    high = 2.0
    while confidence_of(high) < confidence:
        high *= 2
    return find_root(lambda k: confidence_of(k) - confidence, high / 2 if high > 2 else 1e-3, high)


def _over_mean(least_s: Callable[[float], float], low: float, high: float, n: int) -> float:
    """Integral over the sample mean m ~ N(0, 1/n) in [low, high] of the probability that s >= least_s(m)."""
    reach = 9 / sqrt(n)
    a, b = max(low, -reach), min(high, reach)
    nodes, weights = np.polynomial.legendre.leggauss(100)
    total = 0.0
    for node, weight in zip(nodes.tolist(), weights.tolist(), strict=True):
        m = (a + b) / 2 + (b - a) / 2 * node
        density = sqrt(n / (2 * pi)) * exp(-n * m * m / 2)
        total += weight * density * chi2_sf((n - 1) * least_s(m) ** 2, n - 1)
    return total * (b - a) / 2


@lru_cache(maxsize=8192)
def _half_width(m: float, content: float) -> float:
    """r with normal probability `content` in [m - r, m + r], m >= 0."""
    high = m + normal_quantile((1 + content) / 2)
    return find_root(lambda r: normal_cdf(m + r) - normal_cdf(m - r) - content, 0.0, high)


def clopper_pearson(successes: int, n: int, confidence: float) -> tuple[float, float]:
    """Exact two-sided interval for a proportion (Clopper and Pearson 1934)."""
    if not 0 <= successes <= n or n < 1:
        raise ValueError(f"{successes} successes of {n} trials is not possible")
    tail = (1 - confidence) / 2
    low = 0.0 if successes == 0 else beta_quantile(tail, successes, n - successes + 1)
    high = 1.0 if successes == n else beta_quantile(1 - tail, successes + 1, n - successes)
    return low, high


def success_run(reliability: float, confidence: float, failures: int = 0) -> int:
    """Smallest number of trials that shows `reliability` with `confidence` when at most `failures` of them fail."""
    if not (0 < reliability < 1 and 0 < confidence < 1 and failures >= 0):
        raise ValueError("reliability and confidence must lie between 0 and 1, failures must not be negative")
    n = max(failures + 1, ceil(log1p(-confidence) / log(reliability)) - 1)  # -1: the logarithms are rounded
    while _binomial_at_most(failures, n, 1 - reliability) > 1 - confidence:
        n += 1
    return n


def _binomial_at_most(k: int, n: int, p: float) -> float:
    logs = (lgamma(n + 1) - lgamma(i + 1) - lgamma(n - i + 1) + i * log(p) + (n - i) * log1p(-p) for i in range(k + 1))
    return fsum(exp(value) for value in logs)


def _series(values: ArrayLike, least: int) -> Sequence[float]:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < least:
        raise ValueError(f"need a series of at least {least} values, got shape {x.shape}")
    if not np.isfinite(x).all():
        raise ValueError(f"the series holds {np.count_nonzero(~np.isfinite(x))} values that are not finite")
    return x.tolist()  # type: ignore[no-any-return]
