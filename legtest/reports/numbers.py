"""Numbers as people read them: rounded to two digits of their uncertainty."""

from __future__ import annotations

from math import floor, isfinite, log10


def places_of(u: float) -> int:
    """Decimal places that leave two significant digits of U (JCGM 100 7.2.6)."""
    if not isfinite(u) or u <= 0:
        return 4
    return max(0, min(9, 1 - floor(log10(float(f"{u:.1e}")))))  # 0.0999 is printed 0.10, not 0.100


def fixed(x: float, places: int) -> str:
    """x with that many decimal places, and never a minus before nothing."""
    text = f"{x:.{places}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def bound(x: float, places: int) -> str:
    """A limit: a given number is never rounded away."""
    return fixed(x, places) if abs(x - round(x, places)) <= 1e-9 * max(1.0, abs(x)) else f"{x:.10g}"
