"""Static plots: one SVG for each group of signals over time, readable without scripts, in print and in grey.

Coordinates inside the plot area are integers of a tenth of a unit, so a path costs about five bytes a point. The page's
script draws the same picture again from all samples when the reader looks closer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan
from typing import NamedTuple

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from legtest.errors import printable
from legtest.reports.thin import strokes, ticks

WIDTH, HEIGHT = 440, 190
LEFT, RIGHT, TOP, BOTTOM = 62, 8, 8, 34
# Bins of the drawing, each with its extremes: one for about a unit of its width, or two where nobody looks first.
FINE, COARSE = 360, 190
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """One line of a plot. values: (n,) in the plot's unit. look: a class of the style sheet (colour and dashes).

    A line without a name belongs to the one before it and is not listed. terms: the channels it is made of, each with
    its factor, for the page's script. judged: the plot's limits hold for it.
    """

    name: str
    look: str
    values: FloatArray
    terms: tuple[tuple[str, float], ...] = ()
    judged: bool = False


@dataclass(frozen=True, slots=True)
class Guide:
    """A limit drawn across the plot, in the plot's unit. look: "low" or "high", the side that is allowed is inside.

    far: further away than this many times the samples' own extent it is not drawn, lest it flatten them.
    """

    name: str
    look: str
    value: float
    far: float


@dataclass(frozen=True, slots=True)
class Plot:
    """Signals over the same time (n,) seconds, in one unit, with the limits that hold for them."""

    title: str
    unit: str
    time_s: FloatArray
    series: tuple[Series, ...]
    guides: tuple[Guide, ...] = ()

    @property
    def drawn_guides(self) -> tuple[Guide, ...]:
        """The limits near enough to the samples to be seen beside them."""
        if not self.guides:
            return ()
        low, high = _extremes([s.values for s in self.series])
        extent = max(high - low, 1e-12)
        return tuple(g for g in self.guides if low - g.far * extent <= g.value <= high + g.far * extent)


def svg(plot: Plot, marks: Sequence[tuple[float, str]] = (), columns: int = FINE) -> Markup:
    """The drawing. marks: (seconds, look) of what happened. Hostile names are escaped."""
    sketch = sketched(plot, columns)
    return Markup(sketch.before + marked(marks, plot.time_s) + sketch.after)


class Sketch(NamedTuple):
    """A drawing in two halves: between them go the marks, which are known last."""

    before: str
    after: str


def sketched(plot: Plot, columns: int) -> Sketch:
    """The drawing without marks. columns: into how many bins the samples are thinned."""
    guides = plot.drawn_guides
    low, high = value_range([*(s.values for s in plot.series), np.array([g.value for g in guides])])
    start, end = _span(plot.time_s)
    inner_w, inner_h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    x = np.round((plot.time_s - start) / (end - start) * inner_w * 10).astype(np.int64)
    said = escape(printable(_description(plot)))
    axes = grid((start, end), (low, high), "time / s", plot.unit)
    lines = []
    for guide in guides:
        y = round((high - guide.value) / (high - low) * inner_h * 10)
        lines.append(f'<path class="guide {escape(guide.look)}" d="M0 {y}h{inner_w * 10}"/>')
    for series in plot.series:
        y_all = (high - series.values) / (high - low) * inner_h * 10
        lines.append(f'<path class="line {escape(series.look)}" d="{_path(x, y_all, series.values, columns)}"/>')
    return Sketch(
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{said}">{"".join(axes)}',
        f'<g class="lines" transform="translate({LEFT} {TOP}) scale(.1)">{"".join(lines)}</g></svg>',
    )


def marked(marks: Sequence[tuple[float, str]], time_s: FloatArray) -> str:
    """The marks of any plot over this time."""
    return "".join(_marks(marks, *_span(time_s)))


def _marks(marks: Sequence[tuple[float, str]], start: float, end: float) -> list[str]:
    """One path for each look: full lines, and for the steps of a movement short strokes at the lower edge."""
    paths: dict[str, list[str]] = {}
    for at, look in marks:
        x = LEFT + (at - start) / (end - start) * (WIDTH - LEFT - RIGHT)
        if LEFT <= x <= WIDTH - RIGHT:
            top = HEIGHT - BOTTOM - 6 if look == "step" else TOP
            paths.setdefault(look, []).append(f"M{x:.1f} {top}V{HEIGHT - BOTTOM}")
    return [f'<path class="mark {escape(look)}" d="{"".join(each)}"/>' for look, each in paths.items()]


def _description(plot: Plot) -> str:
    said = []
    for series in plot.series:
        low, high = _extremes([series.values])
        if series.name and not isnan(low):
            said.append(f"{series.name} from {low:.4g} to {high:.4g} {plot.unit}")
    said += [f"{guide.name} {guide.value:.4g} {plot.unit}" for guide in plot.guides if guide.name]
    return f"{plot.title} over time: {'; '.join(said) or 'no samples'}"


def _path(x: NDArray[np.int64], y: FloatArray, values: FloatArray, columns: int) -> str:
    out = []
    for run in strokes(values, columns):
        points = np.stack([x[run], np.round(y[run]).astype(np.int64)], axis=1)
        moves = " ".join(map(str, np.diff(points, axis=0).ravel().tolist()))
        # A single sample between two gaps would be a path of no length, which is not drawn.
        out.append(f"M{points[0, 0]} {points[0, 1]}l{moves or '4 0'}")
    return "".join(out)


def _extremes(columns: Sequence[FloatArray]) -> tuple[float, float]:
    """Smallest and largest of all columns; NaN when there is no number."""
    lows = [float(np.fmin.reduce(column)) for column in columns if len(column)]
    highs = [float(np.fmax.reduce(column)) for column in columns if len(column)]
    return (float(np.fmin.reduce(lows)), float(np.fmax.reduce(highs))) if lows else (nan, nan)


def value_range(columns: Sequence[FloatArray]) -> tuple[float, float]:
    """Smallest to largest of all columns, with a margin; 0 to 1 when there is nothing."""
    low, high = _extremes(columns)
    if isnan(low):
        return 0.0, 1.0
    margin = 0.06 * (high - low) or max(abs(high) * 0.1, 1e-3)
    return low - margin, high + margin


def _span(time_s: FloatArray) -> tuple[float, float]:
    if not len(time_s):
        return 0.0, 1.0
    start, end = float(time_s[0]), float(time_s[-1])
    return start, end if end > start else start + 1.0


def grid(across: tuple[float, float], up: tuple[float, float], x_name: str, y_name: str) -> list[str]:
    """Grid lines, frame and axes with their units, for values across[0]..across[1] and up[0]..up[1]."""
    (start, end), (low, high) = across, up
    bottom, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    lines, labels = [], []
    for value in ticks(low, high, 5):
        y = TOP + (high - value) / (high - low) * (bottom - TOP)
        lines.append(f"M{LEFT} {y:.1f}H{right}")
        labels.append(f'<text x="{LEFT - 5}" y="{y + 3.5:.1f}" text-anchor="end">{value:.10g}</text>')
    for value in ticks(start, end, 7):
        x = LEFT + (value - start) / (end - start) * (right - LEFT)
        lines.append(f"M{x:.1f} {TOP}V{bottom}")
        labels.append(f'<text x="{x:.1f}" y="{bottom + 14}" text-anchor="middle">{value:.10g}</text>')
    middle = (TOP + bottom) / 2
    turned = f'text-anchor="middle" transform="rotate(-90 11 {middle:.0f})"'
    return [
        f'<path class="grid" d="{"".join(lines)}"/>',
        f'<rect class="frame" x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{bottom - TOP}"/>',
        f'<g class="tick">{"".join(labels)}</g>',
        f'<text x="{(LEFT + right) / 2:.0f}" y="{HEIGHT - 4}" text-anchor="middle">{escape(printable(x_name))}</text>',
        f'<text x="11" y="{middle:.0f}" {turned}>{escape(printable(y_name))}</text>',
    ]
