"""From a budget to a combined standard uncertainty, and from there to an expanded one (JCGM 100)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import fsum, hypot, inf, isfinite, isnan, nan, sqrt

from legtest.metrology.distributions import t_quantile
from legtest.metrology.measurement import BudgetLine, Measurement, Reference
from legtest.quantities import QUANTITIES
from legtest.units import KINDS, parse, units_of


def measurement(
    quantity: str,
    subject: str,
    value: float,
    budget: Sequence[BudgetLine],
    *,
    reference: Reference,
    covariates: Mapping[str, float] | None = None,
    invalid: str = "",
    kind: str | None = None,
) -> Measurement:
    """A measurement whose uncertainty is the root sum square of its budget lines (JCGM 100 5.1.2, uncorrelated).

    value: SI. budget: lines in the value's SI unit, sensitivities already multiplied in. kind: needed for quantities
    that the catalogue does not have. The degrees of freedom are Welch-Satterthwaite's (JCGM 100 G.2b), not truncated.
    Raises ValueError when the budget is empty or adds up to zero (an exact measurement does not exist), when a line is
    not a finite standard uncertainty with positive degrees of freedom, or when the kind is unknown. An invalid
    measurement may come without a budget; its u is then not a number.
    """
    lines = tuple(_checked(quantity, line) for line in budget)
    u = hypot(*(line.u for line in lines))
    if u == 0 and not invalid:
        fault = "adds up to zero" if lines else "is empty"
        raise ValueError(f"{quantity} of {subject}: the budget {fault}; name a source, for instance the resolution")
    return Measurement(
        quantity=quantity,
        subject=subject,
        value=float(value),
        kind=_kind(quantity, kind),
        u=u if u > 0 else nan,
        dof=effective_dof(lines) if u > 0 else inf,
        budget=lines,
        reference=reference,
        covariates={name: float(x) for name, x in (covariates or {}).items()},
        invalid=invalid,
    )


def measured(
    name: str,
    value: float,
    *,
    u: float,
    unit: str,
    subject: str = "leg",
    dof: float = inf,
    source: str = "stated by the test",
    kind: str | None = None,
    reference: Reference = "external",
    covariates: Mapping[str, float] | None = None,
) -> Measurement:
    """A user's own value with its standard uncertainty (k = 1), both in `unit`: measured("sag", 3.1, u=0.2, unit="mm").

    kind: needed only where a unit belongs to several kinds.
    Raises ValueError for an unknown or ambiguous unit and for u that is not positive.
    """
    if not (isfinite(u) and u > 0):
        raise ValueError(f"{name}: the standard uncertainty must be positive, not {u!r}")
    if not isfinite(value):
        raise ValueError(f"{name}: the value must be a finite number, not {value!r}")
    known = QUANTITIES[name].kind if name in QUANTITIES else None
    kind = kind or known or _kind_of_unit(name, unit)
    line = BudgetLine(source, _si(u, unit, kind), dof)
    return measurement(
        name, subject, _si(value, unit, kind), [line], reference=reference, covariates=covariates, kind=kind
    )


def effective_dof(budget: Iterable[BudgetLine]) -> float:
    """Welch-Satterthwaite degrees of freedom (JCGM 100 G.2b); inf when every line with weight has infinitely many."""
    lines = [line for line in budget if line.u > 0]
    total = hypot(*(line.u for line in lines))
    weight = fsum((line.u / total) ** 4 / line.dof for line in lines)
    return 1 / weight if weight > 0 else inf


def coverage_factor(dof: float, coverage: float) -> float:
    """k = t_p(dof), two-sided (JCGM 100 table G.2); dof need not be whole. ValueError unless 0 < coverage < 1."""
    if not 0 < coverage < 1:
        raise ValueError(f"coverage must lie between 0 and 1, not {coverage!r}")
    return t_quantile((1 + coverage) / 2, dof)


def expanded(m: Measurement, coverage: float) -> float:
    """Expanded uncertainty U = k u (JCGM 100 6.2.1), SI; value +- U covers the true value with that probability."""
    return coverage_factor(m.dof, coverage) * m.u


def repeats(source: str, values: Sequence[float]) -> BudgetLine:
    """Type A line of a mean of n >= 2 repeats: s / sqrt(n), n - 1 degrees of freedom (JCGM 100 4.2.3)."""
    n = len(values)
    if n < 2:
        raise ValueError(f"{source}: a spread needs at least 2 values, got {n}")
    mean = fsum(values) / n
    return BudgetLine(source, sqrt(fsum((x - mean) ** 2 for x in values) / (n - 1) / n), n - 1, "A")


def rectangular(source: str, half_width: float, *, systematic: bool = False) -> BudgetLine:
    """Type B line of a value known only to lie within +- half_width: a / sqrt(3) (JCGM 100 4.3.7)."""
    return BudgetLine(source, half_width / sqrt(3), systematic=systematic)


def resolution(source: str, step: float, *, systematic: bool = False) -> BudgetLine:
    """Type B line of rounding to a step q: q / sqrt(12) (JCGM 100 F.2.2.1)."""
    return rectangular(source, step / 2, systematic=systematic)


def certificate(source: str, expanded_u: float, *, k: float = 2.0, systematic: bool = True) -> BudgetLine:
    """Type B line of a certificate's expanded uncertainty: U / k (JCGM 100 4.3.3)."""
    return BudgetLine(source, expanded_u / k, systematic=systematic)


def _checked(quantity: str, line: BudgetLine) -> BudgetLine:
    """The line as plain floats: numpy scalars would not survive a record."""
    u, dof = float(line.u), float(line.dof)
    if not isfinite(u) or u < 0:
        raise ValueError(f"{quantity}: the standard uncertainty of {line.source!r} must be finite and >= 0, not {u!r}")
    if isnan(dof) or dof <= 0:
        raise ValueError(f"{quantity}: the degrees of freedom of {line.source!r} must be positive, not {dof!r}")
    return BudgetLine(line.source, u, dof, line.evaluation, line.systematic)


def _kind(quantity: str, kind: str | None) -> str:
    known = QUANTITIES.get(quantity)
    if kind is None:
        if known is None:
            raise ValueError(f"{quantity!r} is not in the catalogue of quantities: say its kind, e.g. kind='angle'")
        return known.kind
    if known is not None and known.kind != kind:
        raise ValueError(f"{quantity} is a quantity of kind {known.kind}, not {kind}")
    if kind not in KINDS:
        raise ValueError(f"{quantity}: there is no kind {kind!r}; kinds are {', '.join(KINDS)}")
    return kind


def _kind_of_unit(name: str, unit: str) -> str:
    kinds = [kind for kind in KINDS if unit in units_of(kind)]
    if not kinds:
        raise ValueError(f"{name}: {unit!r} is not a unit that is known here")
    if len(kinds) > 1:
        raise ValueError(f"{name}: {unit!r} may be {' or '.join(kinds)}: say which, e.g. kind={kinds[0]!r}")
    return kinds[0]


def _si(value: float, unit: str, kind: str) -> float:
    return parse(f"{float(value)!r} {'' if unit == '1' else unit}", kind)
