"""Static plots: one SVG for each group of signals over time, readable without scripts, in print and in grey.

Coordinates inside the plot area are integers of a tenth of a unit, so a path costs about five bytes a point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from legtest.reports.thin import strokes, ticks

WIDTH, HEIGHT = 440, 190
LEFT, RIGHT, TOP, BOTTOM = 56, 8, 8, 34
_COLUMNS = 760
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """One line of a plot. values: (n,) in the plot's unit. look: a class of the style sheet (colour and dashes).

    A line without a name belongs to the one before it and is not listed.
    """

    name: str
    look: str
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Plot:
    """Signals over the same time (n,) seconds, in one unit."""

    title: str
    unit: str
    time_s: FloatArray
    series: tuple[Series, ...]


def svg(plot: Plot) -> Markup:
    """The drawing. Hostile names are escaped."""
    low, high = _range([s.values for s in plot.series])
    start, end = _span(plot.time_s)
    inner_w, inner_h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    x = np.round((plot.time_s - start) / (end - start) * inner_w * 10).astype(np.int64)
    parts = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(_description(plot))}">',
        *_grid(low, high, start, end, plot.unit),
        f'<g transform="translate({LEFT} {TOP}) scale(.1)">',
    ]
    for series in plot.series:
        y = (high - series.values) / (high - low) * inner_h * 10
        parts.append(f'<path class="line {escape(series.look)}" d="{_path(x, y, series.values)}"/>')
    parts.append("</g>")
    parts.append(f'<line class="cursor off" x1="{LEFT}" x2="{LEFT}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/></svg>')
    return Markup("".join(parts))


def _description(plot: Plot) -> str:
    said = []
    for series in plot.series:
        present = series.values[~np.isnan(series.values)]
        if len(present) and series.name:
            said.append(f"{series.name} from {present.min():.4g} to {present.max():.4g} {plot.unit}")
    return f"{plot.title} over time: {'; '.join(said) or 'no samples'}"


def _path(x: NDArray[np.int64], y: FloatArray, values: FloatArray) -> str:
    out = []
    for run in strokes(values, _COLUMNS):
        xs, ys = x[run], np.round(y[run]).astype(np.int64)
        steps = np.stack([np.diff(xs), np.diff(ys)], axis=1)
        moves = "".join(f"{dx} {dy} " for dx, dy in steps.tolist())
        # A single sample between two gaps would be a path of no length, which is not drawn.
        out.append(f"M{xs[0]} {ys[0]}l{moves.strip() or '4 0'}")
    return "".join(out)


def _range(columns: Sequence[FloatArray]) -> tuple[float, float]:
    present = np.concatenate([column[np.isfinite(column)] for column in columns]) if columns else np.empty(0)
    if not len(present):
        return 0.0, 1.0
    low, high = float(present.min()), float(present.max())
    margin = 0.06 * (high - low) or max(abs(high) * 0.1, 1e-3)
    return low - margin, high + margin


def _span(time_s: FloatArray) -> tuple[float, float]:
    if not len(time_s):
        return 0.0, 1.0
    start, end = float(time_s[0]), float(time_s[-1])
    return start, end if end > start else start + 1.0


def _grid(low: float, high: float, start: float, end: float, unit: str) -> list[str]:
    bottom, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    out = ['<g class="grid">']
    labels = ['<g class="tick">']
    for value in ticks(low, high, 5):
        y = TOP + (high - value) / (high - low) * (bottom - TOP)
        out.append(f'<line x1="{LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}"/>')
        labels.append(f'<text x="{LEFT - 5}" y="{y + 3.5:.1f}" text-anchor="end">{value:.10g}</text>')
    for value in ticks(start, end, 7):
        x = LEFT + (value - start) / (end - start) * (right - LEFT)
        out.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{bottom}"/>')
        labels.append(f'<text x="{x:.1f}" y="{bottom + 14}" text-anchor="middle">{value:.10g}</text>')
    out.append(f'</g><rect class="frame" x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{bottom - TOP}"/>')
    labels.append(f'<text x="{(LEFT + right) / 2:.0f}" y="{HEIGHT - 4}" text-anchor="middle">time / s</text>')
    middle = (TOP + bottom) / 2
    turned = f'text-anchor="middle" transform="rotate(-90 11 {middle:.0f})"'
    labels.append(f'<text x="11" y="{middle:.0f}" {turned}>{escape(unit)}</text>')
    return [*out, *labels, "</g>"]
