"""Normal, t, chi-square and beta distributions, standard library only.

The bench needs quantiles in a few places; a whole scientific library is not worth its weight there. Tests hold every
function against scipy and printed tables.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import exp, inf, isinf, isnan, lgamma, log, sqrt
from statistics import NormalDist

_NORMAL = NormalDist()
_TINY = 1e-300
_NEARLY_NORMAL = 1e8  # degrees of freedom from which t and normal agree to 1e-8


def normal_cdf(x: float) -> float:
    """Probability that a standard normal value is at most x."""
    return _NORMAL.cdf(x)


def normal_quantile(p: float) -> float:
    """The x with `normal_cdf(x)` = p, 0 < p < 1 (ValueError otherwise)."""
    _check_probability(p)
    return _NORMAL.inv_cdf(p)


def t_cdf(t: float, dof: float) -> float:
    """Probability that Student's t with `dof` > 0 degrees of freedom (inf: normal) is at most t."""
    _check_dof(dof)
    if dof > _NEARLY_NORMAL:
        return normal_cdf(t)
    if isinf(t):
        return 0.0 if t < 0 else 1.0
    tail = 0.5 * _beta_cdf(dof / (dof + t * t), t * t / (dof + t * t), dof / 2, 0.5)
    return 1 - tail if t > 0 else tail


@lru_cache(maxsize=4096)
def t_quantile(p: float, dof: float) -> float:
    """The t with `t_cdf(t, dof)` = p, 0 < p < 1; `dof` > 0 or inf (ValueError otherwise)."""
    _check_probability(p)
    _check_dof(dof)
    if dof > _NEARLY_NORMAL:
        return normal_quantile(p)
    if p < 0.5:
        return -t_quantile(1 - p, dof)
    return _invert(lambda t: t_cdf(t, dof), p, 0.0)


def chi2_sf(x: float, dof: float) -> float:
    """Probability that chi-square with `dof` > 0 degrees of freedom exceeds x."""
    _check_dof(dof)
    return 1.0 if x <= 0 else _gamma_tail(dof / 2, x / 2)


@lru_cache(maxsize=4096)
def chi2_quantile(p: float, dof: float) -> float:
    """The x with chi-square probability p below it, 0 < p < 1 (ValueError otherwise)."""
    _check_probability(p)
    return _invert(lambda x: 1 - chi2_sf(x, dof), p, 0.0)


def beta_quantile(p: float, a: float, b: float) -> float:
    """The x in (0, 1) with beta(a, b) probability p below it, 0 < p < 1 (ValueError otherwise)."""
    _check_probability(p)
    return find_root(lambda x: _beta_cdf(x, 1 - x, a, b) - p, 0.0, 1.0)


def _check_probability(p: float) -> None:
    if not 0 < p < 1:
        raise ValueError(f"a probability must lie between 0 and 1, not {p!r}")


def _check_dof(dof: float) -> None:
    if isnan(dof) or dof <= 0:
        raise ValueError(f"degrees of freedom must be positive, not {dof!r}")


def _beta_cdf(x: float, rest: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b), Abramowitz and Stegun 26.5.8 (continued fraction).

    rest = 1 - x, given apart because near x = 1 the difference has lost its digits.
    """
    if x <= 0:
        return 0.0
    if rest <= 0:
        return 1.0
    if x > (a + 1) / (a + b + 2):  # there the fraction converges slowly, its mirror quickly
        return 1 - _beta_cdf(rest, x, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(rest)) / a

    def term(n: int) -> float:
        if n == 0:
            return 1.0
        m = n // 2
        if n % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))

    return min(1.0, front * _continued_fraction(term, lambda n: 1.0))


def _gamma_tail(a: float, x: float) -> float:
    """Regularised upper incomplete gamma function Q(a, x), Abramowitz and Stegun 6.5.29 and 6.5.31."""
    front = exp(a * log(x) - x - lgamma(a))
    if x < a + 1:
        total = term = 1 / a
        n = a
        while term > total * 1e-16:
            n += 1
            term *= x / n
            total += term
        return max(0.0, 1 - front * total)
    return front * _continued_fraction(lambda n: 1.0 if n == 0 else n * (a - n), lambda n: x + 1 - a + 2 * n)


def _continued_fraction(numerator: Callable[[int], float], denominator: Callable[[int], float]) -> float:
    """numerator(0) / (denominator(0) + numerator(1) / (denominator(1) + ...)) by the modified Lentz method."""
    c, d, value = _TINY, 0.0, _TINY
    for n in range(100_000):
        top, below = numerator(n), denominator(n)
        d = 1 / ((below + top * d) or _TINY)
        c = below + top / c or _TINY
        step = c * d
        value *= step
        if n and abs(step - 1) < 1e-15:
            return value
    raise ArithmeticError("continued fraction did not converge")


def _invert(cdf: Callable[[float], float], p: float, low: float) -> float:
    """The x >= low where a rising cdf reaches p."""
    high = low + 1.0
    while cdf(high) < p and high < inf:
        low, high = high, 2 * high
    return find_root(lambda x: cdf(x) - p, low, high)


def find_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Root of a monotone function between low and high (Ridders' method: bisection that bends to the curve)."""
    f_low, f_high = function(low), function(high)
    if f_low == 0:
        return low
    if f_high == 0:
        return high
    if f_low * f_high > 0:
        raise ArithmeticError(f"no sign change between {low} and {high}")
    for _ in range(200):
        middle = (low + high) / 2
        f_middle = function(middle)
        if f_middle == 0 or high - low <= 4e-16 * max(abs(low), abs(high)):
            return middle
        shift = (middle - low) * f_middle / sqrt(f_middle * f_middle - f_low * f_high)
        new = middle + (shift if f_low > f_high else -shift)
        f_new = function(new)
        if f_new == 0:
            return new
        for x, f in sorted(((middle, f_middle), (new, f_new))):
            if f * f_low > 0:
                if x > low:
                    low, f_low = x, f
            elif x < high:
                high, f_high = x, f
        if abs(new - middle) <= 1e-15 * abs(new):
            return new
    return (low + high) / 2
