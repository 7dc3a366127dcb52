"""Small pictures of one quantity: its value and U against its limits, and its values over earlier runs."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from markupsafe import Markup, escape

from legtest.description.model import Limit
from legtest.errors import printable
from legtest.units import in_unit

WIDTH, HEIGHT = 440, 46
_LEFT, _RIGHT, _LINE = 8, 432, 18
SPARK_WIDTH, SPARK_HEIGHT = 96, 26


def interval_svg(value: float, expanded_u: float, limit: Limit | None, unit: str, said: str) -> Markup | None:
    """value and U (SI) against the limits: the tolerance as a bar, the guard band of width U hatched at its ends.

    unit: of the numbers written. said: the same in words. None without limits, or when there is nothing to draw.
    """
    if limit is None or not (isfinite(value) and isfinite(expanded_u)):
        return None
    ends = [end for end in (limit.low, limit.high) if end is not None]
    if not ends:
        return None
    points = [*ends, value - expanded_u, value + expanded_u]
    if limit.low is None and min(points) >= 0:
        points.append(0.0)
    low, high = min(points), max(points)
    room = 0.12 * (high - low) or 1.0
    low, high = low - (room if low < 0 or limit.low is not None else 0.0), high + room

    def x(at: float) -> float:
        return _LEFT + (min(max(at, low), high) - low) / (high - low) * (_RIGHT - _LEFT)

    left, right = x(low if limit.low is None else limit.low), x(high if limit.high is None else limit.high)
    bars = [f'<rect class="tolerance" x="{left:.1f}" y="{_LINE - 9}" width="{right - left:.1f}" height="18"/>']
    for end, inward in ((limit.low, expanded_u), (limit.high, -expanded_u)):
        if end is None:
            continue
        a, b = sorted((max(left, min(right, x(end))), max(left, min(right, x(end + inward)))))
        at = [a + 4 * n for n in range(int((b - a) / 4) + 1)]
        strokes = "".join(f"M{each:.1f} {_LINE + 9}l{min(4.0, b - each):.1f} -18" for each in at)
        bars.append(f'<path class="guard" d="{strokes}"/>')
        bars.append(f'<path class="end" d="M{x(end):.1f} {_LINE - 12}v24"/>')
        bars.append(_text(x(end), HEIGHT - 3, f"{in_unit(end, unit):.6g}{'' if unit == '1' else ' ' + unit}"))
    a, b = x(value - expanded_u), x(value + expanded_u)
    bars.append(f'<path class="whisker" d="M{a:.1f} {_LINE}H{b:.1f}M{a:.1f} {_LINE - 5}v10M{b:.1f} {_LINE - 5}v10"/>')
    bars.append(f'<circle class="dot" cx="{x(value):.1f}" cy="{_LINE}" r="4"/>')
    return Markup(
        f'<svg class="interval" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(printable(said))}">'
        f"{''.join(bars)}</svg>"
    )


def _text(x: float, y: float, text: str) -> str:
    anchor = "start" if x < 40 else "end" if x > WIDTH - 40 else "middle"
    return f'<text x="{x:.1f}" y="{y}" text-anchor="{anchor}">{escape(text)}</text>'


def spark_svg(
    values: Sequence[float], low: float | None, high: float | None, marks: Sequence[int], said: str, least: float = 0.0
) -> Markup | None:
    """Values of earlier runs and this one (the last, a dot), control limits dashed, changes of parts as ticks.

    least: the height stands for at least so much, so that differences below the uncertainty do not look like any.
    """
    present = [v for v in values if isfinite(v)]
    if not present:
        return None
    ends = [*present, *(end for end in (low, high) if end is not None and isfinite(end))]
    bottom, top = min(ends), max(ends)
    lacking = max(0.0, least - (top - bottom)) / 2
    bottom, top = bottom - lacking, top + lacking
    extent = top - bottom or max(abs(top) * 0.1, 1e-9)

    def y(v: float) -> float:
        return 3 + (top - v) / extent * (SPARK_HEIGHT - 6) if top > bottom else SPARK_HEIGHT / 2

    def x(n: int) -> float:
        return 3 + (n / (len(values) - 1) if len(values) > 1 else 1.0) * (SPARK_WIDTH - 8)

    control = [end for end in (low, high) if end is not None and isfinite(end)]
    parts = [f'<path class="control" d="M0 {y(end):.1f}H{SPARK_WIDTH}"/>' for end in control]
    parts += [f'<path class="change" d="M{x(n):.1f} 0V{SPARK_HEIGHT}"/>' for n in marks if 0 <= n < len(values)]
    points = [(x(n), y(v)) for n, v in enumerate(values) if isfinite(v)]
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    parts.append(f'<polyline class="past" points="{line}"/>')
    parts.append(f'<circle class="dot" cx="{points[-1][0]:.1f}" cy="{points[-1][1]:.1f}" r="2.6"/>')
    return Markup(
        f'<svg class="spark" viewBox="0 0 {SPARK_WIDTH} {SPARK_HEIGHT}" role="img" '
        f'aria-label="{escape(printable(said))}">'
        f"{''.join(parts)}</svg>"
    )
