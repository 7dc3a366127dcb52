"""Torque over angle: the picture in which play, friction and stiffness of a joint are seen at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from legtest.errors import printable
from legtest.reports.plot import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Plot, grid, value_range
from legtest.reports.thin import strokes

_COLUMNS = 360
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loop:
    """The drawing, and what the page's script needs: terms and ranges of both axes."""

    title: str
    svg: Markup
    terms: tuple[tuple[str, float], tuple[str, float]]
    ranges: tuple[float, float, float, float]


def loop_of(plots: Sequence[Plot], axis: str) -> Loop | None:
    """Measured torque over measured angle, from the axis's plots over time. None when one of the two is missing."""
    by_title = {plot.title: plot for plot in plots}
    position, torque = by_title.get(f"{axis} position"), by_title.get(f"{axis} torque")
    if position is None or torque is None:
        return None
    pair = [
        next((s for s in plot.series if s.look == "got" and len(s.terms) == 1), None) for plot in (position, torque)
    ]
    if pair[0] is None or pair[1] is None:
        return None
    x, y = pair[0].values, pair[1].values
    both = ~(np.isnan(x) | np.isnan(y))
    if both.sum() < 2 or float(np.ptp(x[both])) == 0.0:
        return None
    across, up = value_range([x]), value_range([y])
    title = f"{axis} torque over angle"
    angles, torques = (f"{np.nanmin(v):.4g} to {np.nanmax(v):.4g}" for v in (x, y))
    said = f"{title}: angle from {angles} {position.unit}, torque from {torques} {torque.unit}"
    lines = f'<path class="line got" d="{_path(x, y, both, across, up)}"/>'
    svg = Markup(
        f'<svg class="xy" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(printable(said))}">'
        f"{''.join(grid(across, up, f'angle / {position.unit}', torque.unit))}"
        f'<g class="lines" transform="translate({LEFT} {TOP}) scale(.1)">{lines}</g></svg>'
    )
    return Loop(title, svg, (pair[0].terms[0], pair[1].terms[0]), (*across, *up))


def _path(
    x: FloatArray, y: FloatArray, both: NDArray[np.bool_], across: tuple[float, float], up: tuple[float, float]
) -> str:
    """Every extreme of torque and of angle is kept; between them the line may be straight."""
    picked = [run for values in (x, y) for run in strokes(np.where(both, values, np.nan), _COLUMNS)]
    at = np.unique(np.concatenate(picked))
    px = np.round((x[at] - across[0]) / (across[1] - across[0]) * (WIDTH - LEFT - RIGHT) * 10).astype(np.int64)
    py = np.round((up[1] - y[at]) / (up[1] - up[0]) * (HEIGHT - TOP - BOTTOM) * 10).astype(np.int64)
    moves = " ".join(map(str, np.diff(np.stack([px, py], axis=1), axis=0).ravel().tolist()))
    return f"M{px[0]} {py[0]}l{moves or '4 0'}"
