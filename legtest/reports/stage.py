"""One recorded span as a figure: its plots, the leg's poses, and the numbers its cursor reads out."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from legtest.description.model import LegDescription
from legtest.records.trace import Trace
from legtest.reports import plot as plots
from legtest.reports import pose
from legtest.units import display_unit, in_unit

_INSTANTS = 400  # how many positions the slider has at most
_LARGEST = 1e9  # rad or N*m


@dataclass(frozen=True, slots=True)
class Panel:
    """One plot with its legend (name, look)."""

    title: str
    unit: str
    svg: Markup
    legend: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """A span ready for the page. panels are of the joint under test, others of the joints beside it."""

    label: str
    first_frame: int
    last_frame: int
    seconds: float
    samples: int
    step_ms: float
    panels: tuple[Panel, ...]
    others: tuple[Panel, ...]
    poses: tuple[Markup, ...]
    data: Markup


def stage(label: str, trace: Trace, leg: LegDescription | None, joint: str | None) -> Stage:
    """Draw one trace."""
    at = _instants(len(trace))
    mine = [axis for axis in trace.axes if joint in (None, axis)] or list(trace.axes)
    drawn = {axis: _plots(trace, axis) for axis in trace.axes}
    first = [each for axis in mine for each in drawn[axis]]
    rest = [each for axis in trace.axes if axis not in mine for each in drawn[axis]]
    found = pose.poses(leg, trace, at)
    views = found.views if found else {}
    time = trace.time_s
    return Stage(
        label, trace.first_frame, trace.last_frame,
        float(time[-1] - time[0]) if len(trace) else 0.0, len(trace),
        float(1e3 * (time[at[1]] - time[at[0]])) if len(at) > 1 else 0.0,
        tuple(_panel(each) for each in first), tuple(_panel(each) for each in rest),
        tuple(pose.svg(title, points) for title, points in views.items()),
        _data(time[at], [*first, *rest], at, list(views.values())),
    )  # fmt: skip


def script_json(data: Any) -> Markup:
    """JSON that may stand inside a script element, whatever its texts hold."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def _instants(samples: int) -> NDArray[np.int64]:
    return np.arange(0, samples, max(1, -(-samples // _INSTANTS)))


def _plots(trace: Trace, axis: str) -> list[plots.Plot]:
    def series(name: str, look: str, signal: str, kind: str, factor: float = 1.0) -> list[plots.Series]:
        values = trace.columns.get(f"{axis}.{signal}")
        if values is None or not (np.abs(values) < _LARGEST).any():
            return []
        # Numbers that no leg has, as a damaged file holds them, leave a gap and not a drawing without a scale.
        shown = np.where(np.abs(values) < _LARGEST, values, np.nan)
        return [plots.Series(name, look, in_unit(1.0, display_unit(kind)) * factor * shown)]

    position = [*series("set-point", "wanted", "setpoint", "angle"), *series("position", "got", "position", "angle")]
    torque = [
        *series("torque cap (±)", "cap", "torque_cap", "torque"),
        *series("", "cap", "torque_cap", "torque", -1.0),
        *series("torque", "got", "torque", "torque"),
    ]
    time = trace.time_s
    error = []
    if len(position) == 2:
        error = [plots.Series("set-point minus position", "miss", position[0].values - position[1].values)]
    made = [
        plots.Plot(f"{axis} position", display_unit("angle"), time, tuple(position)),
        plots.Plot(f"{axis} following error", display_unit("angle"), time, tuple(error)),
        plots.Plot(f"{axis} torque", display_unit("torque"), time, tuple(torque)),
    ]
    return [each for each in made if each.series]


def _panel(plot: plots.Plot) -> Panel:
    return Panel(plot.title, plot.unit, plots.svg(plot), tuple((s.name, s.look) for s in plot.series if s.name))


def _data(
    time: NDArray[np.float64], drawn: list[plots.Plot], at: NDArray[np.int64], views: list[NDArray[np.float64]]
) -> Markup:
    def short(values: NDArray[np.float64]) -> list[float | None]:
        return [None if x != x else float(f"{x:.4g}") for x in values.tolist()]

    return script_json(
        {
            "t": [float(f"{t:.4f}") for t in time.tolist()],
            "plots": [[short(s.values[at]) for s in plot.series if s.name] for plot in drawn],
            "poses": [[[float(f"{x:.2f}") for x in points] for points in view.reshape(len(at), -1).tolist()]
                      for view in views],
        }
    )  # fmt: skip
