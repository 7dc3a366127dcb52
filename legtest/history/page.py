"""A leg's history as one HTML page that needs nothing else: no network, no script, no file beside it."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from math import isfinite
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from legtest.errors import printable
from legtest.history.trend import Mark, Series, Trends
from legtest.units import display_unit, in_unit, show

_TEMPLATES = Path(__file__).parent / "templates"
_WIDTH, _HEIGHT, _LEFT, _TOP = 900, 220, 70, 12
_RIGHT, _BOTTOM = _WIDTH - 10, _HEIGHT - 28


def history_html(trends: Trends) -> bytes:
    """The page's bytes, UTF-8. Names from records are shown as text, whatever they hold. ValueError without runs."""
    if not trends.rows:
        raise ValueError("a history without runs has no page")
    mode = re.sub(r"[^A-Z]", "?", trends.rows[-1].mode)[:20]  # a database may hold anything, and this goes into a style
    style = (_TEMPLATES / "history.css").read_text(encoding="utf-8").replace("__MODE__", mode)
    page = _environment().get_template("history.html").render(
        trends=trends,
        mode=trends.rows[-1].mode,
        panels=[_panel(series) for series in trends.series],
        style=Markup(style),
        style_hash="sha256-" + b64encode(sha256(style.encode("utf-8")).digest()).decode(),
    )
    return page.encode("utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        finalize=lambda value: printable(value) if type(value) is str else value,
    )  # fmt: skip


def _panel(s: Series) -> dict[str, Any]:
    c = s.charted
    changes = [mark for mark in s.marks if mark.when >= s.when[0]]
    low, high = (show(x, s.kind) if x is not None else "" for x in s.limits)
    one = f"≤ {high}" if high else f"≥ {low}" if low else "no limit set"
    return {
        "series": s,
        "newest": show(s.values[-1], s.kind),
        "U": show(2 * s.u[-1], s.kind, 2),
        "expected": f"{show(c.low, s.kind)} to {show(c.high, s.kind)}" if isfinite(c.low) else "too few runs",
        "limits": f"{low} to {high}" if low and high else one,
        "changes": changes,
        "svg": Markup("".join(_figure(_Axes.around(s), changes))),
    }


@dataclass(frozen=True, slots=True)
class _Axes:
    """A series in its display unit, and where it lies on the paper."""

    series: Series
    unit: str
    values: tuple[float, ...]
    bars: tuple[float, ...]
    band: tuple[float, ...]
    limits: tuple[float, ...]
    low: float
    high: float

    @classmethod
    def around(cls, s: Series) -> _Axes:
        unit = display_unit(s.kind)
        values, bars = (tuple(in_unit(k * x, unit) for x in each) for k, each in ((1, s.values), (2, s.u)))
        band = tuple(in_unit(x, unit) for x in (s.charted.low, s.charted.high) if isfinite(x))
        limits = tuple(in_unit(x, unit) for x in s.limits if x is not None)
        low = min(*(x - b for x, b in zip(values, bars, strict=True)), *band, *limits, values[0])
        high = max(*(x + b for x, b in zip(values, bars, strict=True)), *band, *limits, values[0])
        margin = 0.05 * (high - low) or max(abs(high) * 0.1, 1e-9)
        return cls(s, unit, values, bars, band, limits, low - margin, high + margin)

    def x(self, i: float) -> str:
        """Of the value with this number; half a number on is the gap to the next."""
        return f"{_LEFT + (i + 0.5) / len(self.values) * (_RIGHT - _LEFT):.1f}"

    def y(self, value: float) -> str:
        return f"{_TOP + (self.high - value) / (self.high - self.low) * (_BOTTOM - _TOP):.1f}"

    def across(self, look: str, value: float, begin: str = str(_LEFT)) -> str:
        return f'<line class="{look}" x1="{begin}" x2="{_RIGHT}" y1="{self.y(value)}" y2="{self.y(value)}"/>'


def _figure(axes: _Axes, changes: list[Mark]) -> Iterator[str]:
    s, unit = axes.series, axes.unit
    said = f"{s.label} over {len(s.values)} runs, {min(axes.values):.4g} to {max(axes.values):.4g} {unit}"
    yield f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(printable(said))}">'
    for k in range(5):
        y = axes.low + (axes.high - axes.low) * k / 4
        yield axes.across("grid", y)
        yield f'<text x="{_LEFT - 5}" y="{float(axes.y(y)) + 4:.1f}" text-anchor="end">{y:.4g}</text>'
    yield from _expected(axes)
    yield from (axes.across("limit", y) for y in axes.limits)
    for n, mark in enumerate(changes, 1):
        x = axes.x(next((i for i, instant in enumerate(s.when) if instant >= mark.when), len(s.when)) - 0.5)
        yield f'<line class="change" x1="{x}" x2="{x}" y1="{_TOP}" y2="{_BOTTOM}"/>'
        yield f'<text x="{x}" y="{_TOP + 9}" dx="2">{n}</text>'
    yield from _dots(axes)
    yield f'<line class="axis" x1="{_LEFT}" x2="{_RIGHT}" y1="{_BOTTOM}" y2="{_BOTTOM}"/>'
    yield f'<text x="{_LEFT}" y="{_HEIGHT - 8}">{escape(s.when[0][:10])}</text>'
    yield f'<text x="{_RIGHT}" y="{_HEIGHT - 8}" text-anchor="end">{escape(s.when[-1][:10])}</text>'
    middle = (_TOP + _BOTTOM) // 2
    turned = f'text-anchor="middle" transform="rotate(-90 12 {middle})"'
    yield f'<text x="12" y="{middle}" {turned}>{escape(unit)}</text></svg>'


def _expected(axes: _Axes) -> Iterator[str]:
    if not axes.band:
        return
    top, bottom, x = axes.y(max(axes.band)), axes.y(min(axes.band)), axes.x(len(axes.values) - 1.5)
    height, width = float(bottom) - float(top), _RIGHT - float(x)
    yield f'<rect class="band" x="{x}" y="{top}" width="{width:.1f}" height="{height:.1f}"/>'
    yield axes.across("centre", in_unit(axes.series.charted.centre, axes.unit), axes.x(axes.series.begin - 0.5))


def _dots(axes: _Axes) -> Iterator[str]:
    s = axes.series
    for i, (value, bar) in enumerate(zip(axes.values, axes.bars, strict=True)):
        x, k = axes.x(i), i - s.begin
        look = "before" if k < 0 else "out" if s.charted.out[k] else "dot"
        yield f'<line class="bar" x1="{x}" x2="{x}" y1="{axes.y(value - bar)}" y2="{axes.y(value + bar)}"/>'
        yield f'<circle class="{look}" cx="{x}" cy="{axes.y(value)}" r="3"/>'
