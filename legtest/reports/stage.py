"""One recorded span as a figure: its plots, the leg's poses, what happened, and all samples for a closer look."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from legtest.description.model import LegDescription, Limit
from legtest.records.reading import Part
from legtest.records.segment import Span
from legtest.records.trace import Trace
from legtest.reports import packed, pose
from legtest.reports import plot as plots
from legtest.reports.happenings import Happening, first_violation, happenings
from legtest.reports.loop import Loop, loop_of
from legtest.reports.signals import Samples, axis_plots, columns_of, usable, wire_steps

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Panel:
    """One plot with its legend (name, look)."""

    title: str
    unit: str
    svg: Markup
    legend: tuple[tuple[str, str], ...]
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """A span ready for the page. panels are of the joint under test, others of what lies beside it."""

    label: str
    first_frame: int
    last_frame: int
    start: float
    seconds: float
    samples: int
    panels: tuple[Panel, ...]
    others: tuple[Panel, ...]
    poses: tuple[Markup, ...]
    happenings: tuple[Happening, ...]
    referenced: bool
    temperatures: tuple[float, ...]
    loop: Loop | None
    data: Markup
    blob: str


@dataclass(frozen=True, slots=True)
class Scene:
    """What a trace is drawn with. limits: of the peak following error, by axis. referenced: angles count from home."""

    part: Part
    leg: LegDescription | None
    joint: str | None
    spans: tuple[Span, ...] = ()
    limits: Mapping[str, Limit] | None = None
    referenced: bool = True


class _Drawn(NamedTuple):
    """A plot without its samples: what is left of it when the next axis is read."""

    plot: plots.Plot
    sketch: plots.Sketch
    guides: tuple[plots.Guide, ...]


class _Axis(NamedTuple):
    """One axis, drawn. position: at the instants of the foot's path, None where it was not recorded."""

    main: list[_Drawn]
    beside: list[_Drawn]
    channels: dict[str, packed.Channel]
    violation: Happening | None
    position: FloatArray | None
    loop: Loop | None
    temperatures: tuple[float, ...]


def stage(label: str, samples: Samples, scene: Scene) -> Stage:
    """Draw one movement. Raises RecordError when its samples cannot be read."""
    rows = samples.instants()
    mine = [axis for axis in samples.axes if scene.joint in (None, axis)] or list(samples.axes)
    order = [*mine, *(axis for axis in samples.axes if axis not in mine)]
    steps = wire_steps(scene.part)
    drawn = {axis: _axis(axis, samples.axis(axis), scene, steps, axis in mine) for axis in order}
    first = [each for axis in mine for each in drawn[axis].main]
    rest = [each for axis in mine for each in drawn[axis].beside]
    rest += [each for axis in order[len(mine) :] for each in (*drawn[axis].main, *drawn[axis].beside)]
    violation = min((axis.violation for axis in drawn.values() if axis.violation), default=None)
    found = happenings(scene.part, scene.spans, rows, violation)
    marks = plots.marked([(each.at_s, each.look) for each in found], rows.time_s)
    loop = drawn[scene.joint].loop if scene.joint in drawn else None
    channels = {name: channel for axis in order for name, channel in drawn[axis].channels.items()}
    packings = [_time(rows), *channels.values()]
    angles = _actuators(scene.leg, drawn)
    start, end = (float(rows.time_s[0]), float(rows.time_s[-1])) if len(rows) else (0.0, 0.0)
    about = _about([*first, *rest], channels, found, loop) | {"n": len(rows), "start": round(start, 6)}
    about["channels"] = [[c.origin, c.step] for c in packings]
    about["leg"], poses = None, []
    if scene.leg is not None and angles is not None:
        poses = pose.drawings(scene.leg, angles)
        about["leg"] = _leg(scene.leg, list(channels), pose.placement(scene.leg, angles))
    return Stage(
        label, rows.first_frame, rows.last_frame, start, end - start, len(rows),
        tuple(_panel(each, marks) for each in first), tuple(_panel(each, marks) for each in rest),
        tuple(poses), tuple(found), scene.referenced,
        tuple(t for each in drawn.values() for t in each.temperatures), loop, script_json(about),
        packed.blob(packings),
    )  # fmt: skip


def script_json(data: Any) -> Markup:
    """JSON that may stand inside a script element, whatever its texts hold."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def _axis(axis: str, trace: Trace, scene: Scene, steps: Mapping[str, float], mine: bool) -> _Axis:
    made = axis_plots(trace, axis, scene.leg, scene.limits or {}, scene.referenced)
    names = columns_of([*made.main, *made.beside])
    position = trace.columns.get(f"{axis}.position")
    return _Axis(
        [_drawn(each, plots.FINE if mine else plots.COARSE) for each in made.main],
        [_drawn(each, plots.COARSE) for each in made.beside],
        {name: packed.channel(usable(trace.columns[name]), steps.get(name, 0.0)) for name in names},
        first_violation(made.main),
        None if position is None else pose.filled(position)[pose.instants(len(trace))],
        loop_of(made.main, axis) if axis == scene.joint else None,
        _extremes(trace.columns.get(f"{axis}.temperature")),
    )


def _extremes(column: FloatArray | None) -> tuple[float, ...]:
    """Smallest and largest, nothing when there is no number."""
    there = np.empty(0) if column is None else usable(column)
    return () if np.isnan(there).all() else (float(np.nanmin(there)), float(np.nanmax(there)))


def _drawn(plot: plots.Plot, columns: int) -> _Drawn:
    bare = tuple(plots.Series(s.name, s.look, np.empty(0), s.terms, s.judged) for s in plot.series)
    lean = plots.Plot(plot.title, plot.unit, np.empty(0), bare, plot.guides)
    return _Drawn(lean, plots.sketched(plot, columns), plot.drawn_guides)


def _panel(drawn: _Drawn, marks: str) -> Panel:
    plot = drawn.plot
    # An allowed range far away says nothing about this movement; a limit that is judged is named in any case.
    judged = any(series.judged for series in plot.series)
    limits = tuple(
        f"{guide.name} {guide.value:.4g} {plot.unit}{'' if guide in drawn.guides else ', beyond this scale'}"
        for guide in plot.guides
        if guide.name and (judged or guide in drawn.guides)
    )
    legend = tuple((s.name, s.look) for s in plot.series if s.name)
    return Panel(plot.title, plot.unit, Markup(drawn.sketch.before + marks + drawn.sketch.after), legend, limits)


def _about(
    drawn: Sequence[_Drawn], channels: Mapping[str, packed.Channel], found: Sequence[Happening], loop: Loop | None
) -> dict[str, Any]:
    """What the page's script needs beside the samples. Channel 0 is the time."""
    number = {name: n for n, name in enumerate(channels, 1)}
    return {
        "plots": [
            {
                "lines": [[[number[name], factor] for name, factor in s.terms] for s in plot.series],
                "named": [n for n, s in enumerate(plot.series) if s.name],
                "guides": [guide.value for guide in guides],
            }
            for plot, _, guides in drawn
        ],
        "marks": [[round(each.at_s, 6), each.look] for each in found],
        "steps": [[round(each.at_s, 6), each.text[:60]] for each in found if each.look == "step"],
        "loop": [[[number[name], factor] for name, factor in loop.terms], loop.ranges] if loop else None,
    }


def _time(rows: Trace) -> packed.Channel:
    """Seconds since the first sample, in steps of 10 us, of a millisecond in a recording of more than 5 h."""
    since = (rows.t_ns - rows.t_ns[0]) if len(rows) else np.empty(0)
    step_ns = 1e4 if not len(rows) or since[-1] < 18_000e9 else 1e6
    return packed.channel(np.rint(since / step_ns) * (step_ns / 1e9), step_ns / 1e9)


def _leg(leg: LegDescription, channels: Sequence[str], at: pose.Placement) -> dict[str, Any]:
    g = leg.geometry
    return {
        "channels": [1 + channels.index(f"{joint}.position") for joint in leg.joint_names],
        "coupling": leg.coupling,
        "lengths": [g.hip_offset_m, g.thigh_m, g.shank_m],
        **at._asdict(),
    }


def _actuators(leg: LegDescription | None, drawn: Mapping[str, _Axis]) -> FloatArray | None:
    """Actuator angles (n, axes) at the instants of the foot's path; None when the leg cannot be drawn."""
    columns = [drawn[joint].position for joint in leg.joint_names if joint in drawn] if leg else []
    there = [column for column in columns if column is not None]
    if leg is None or len(there) != len(leg.joints):
        return None
    actuators = np.stack(there, axis=1)
    return actuators if pose.drawable(actuators) else None
