"""Which signals of an axis are drawn together, in which unit, with which limits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from legtest.description.model import LegDescription, Limit
from legtest.records.reading import Part
from legtest.records.samples import SampleFile
from legtest.records.trace import COMMAND_COLUMNS, Trace
from legtest.reports.plot import Guide, Plot, Series
from legtest.units import display_unit, in_unit

_SHORT = 50_000  # rows
_LARGEST = 1e9  # SI; numbers that no leg has, as a damaged file holds them
_BESIDE = (("velocity", "angular_velocity"), ("temperature", "temperature"), ("supply", "voltage"))
_DRAWN = ("setpoint", "position", "torque", "torque_cap", *(signal for signal, _ in _BESIDE))


class AxisPlots(NamedTuple):
    """main: position, following error, torque. beside: what is looked at when something is odd."""

    main: tuple[Plot, ...]
    beside: tuple[Plot, ...]


def axis_plots(
    trace: Trace, axis: str, leg: LegDescription | None, limits: Mapping[str, Limit], referenced: bool
) -> AxisPlots:
    """The plots of one axis; those without samples are left out."""
    deg, torque_unit = display_unit("angle"), display_unit("torque")
    factor = in_unit(1.0, deg)
    wanted, got = _line(trace, f"{axis}.setpoint"), _line(trace, f"{axis}.position")
    position = [*_series("set-point", "wanted", wanted, "angle"), *_series("position", "got", got, "angle")]
    error = []
    if wanted and got:
        values = position[0].values - position[1].values
        error = [Series("set-point minus position", "miss", values, ((wanted[0], factor), (got[0], -factor)), True)]
    cap, torque = _line(trace, f"{axis}.torque_cap"), _line(trace, f"{axis}.torque")
    torques = [
        *_series("torque cap (±)", "cap", cap, "torque"),
        *_series("", "cap", cap, "torque", -1.0),
        *_series("torque", "got", torque, "torque"),
    ]
    time = trace.time_s
    made = [
        Plot(f"{axis} position", deg, time, tuple(position), _travel(leg, axis) if referenced else ()),
        Plot(f"{axis} following error", deg, time, tuple(error), _bounds(limits.get(axis), factor)),
        Plot(f"{axis} torque", torque_unit, time, tuple(torques)),
    ]
    beside = [
        Plot(f"{axis} {signal}", display_unit(kind), time,
             tuple(_series(signal, "got", _line(trace, f"{axis}.{signal}"), kind)))
        for signal, kind in _BESIDE
    ]  # fmt: skip
    return AxisPlots(tuple(p for p in made if p.series), tuple(p for p in beside if p.series))


class Samples:
    """The samples of one movement; of a long one an axis at a time, so that an hour need not be in memory at once."""

    def __init__(self, part: Part, name: str) -> None:
        """Raises RecordError when there are none of that name, or they are not readable."""
        self._part, self._name = part, name
        kept, path = part.rows.get(name), part.sample_file
        # Of older records, and of a short movement, everything is read at once: that is quicker.
        whole = kept is None or path is None or kept.rows <= _SHORT
        self._whole = part.samples(name) if whole else None
        if self._whole is not None or path is None:
            self._names = tuple(self._whole.columns) if self._whole else ()
        else:
            with SampleFile.open(path, part.folder.parent.parent) as file:
                self._names = file.names

    @property
    def axes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name.rpartition(".")[0] for name in self._names))

    def instants(self) -> Trace:
        """The rows without any column. Raises RecordError."""
        return self._whole or self._part.samples(self._name, ())

    def axis(self, axis: str) -> Trace:
        """What is drawn of one axis. Raises RecordError."""
        drawn = [name for name in self._names if name.rpartition(".")[::2] in {(axis, signal) for signal in _DRAWN}]
        return self._whole or self._part.samples(self._name, drawn)


def columns_of(drawn: Iterable[Plot]) -> list[str]:
    """The trace's columns behind some plots, each once."""
    return list(dict.fromkeys(name for plot in drawn for s in plot.series for name, _ in s.terms))


def wire_steps(part: Part) -> dict[str, float]:
    """The smallest step of each column on the wire, SI, by name; from the wire maps of the record."""
    steps: dict[str, float] = {}
    for wiremap in part.wiremaps:
        steps |= {f"{wiremap.axis}.{s.role}": s.scale for s in wiremap.feedback}
        steps |= {f"{wiremap.axis}.{COMMAND_COLUMNS[s.role]}": s.scale for s in wiremap.command}
    return steps


def _line(trace: Trace, name: str) -> tuple[str, np.ndarray] | None:
    values = trace.columns.get(name)
    if values is None or not (np.abs(values) < _LARGEST).any():
        return None
    return name, values


def _series(name: str, look: str, line: tuple[str, np.ndarray] | None, kind: str, sign: float = 1.0) -> list[Series]:
    if line is None:
        return []
    factor = in_unit(1.0, display_unit(kind)) * sign
    return [Series(name, look, factor * usable(line[1]), ((line[0], factor),))]


def usable(values: np.ndarray) -> np.ndarray:
    """Numbers that no leg has leave a gap, and not a drawing without a scale."""
    return np.where(np.abs(values) < _LARGEST, values, np.nan)


def _travel(leg: LegDescription | None, axis: str) -> tuple[Guide, ...]:
    joint = next((each for each in leg.joints if each.name == axis), None) if leg else None
    # With a coupling an actuator's angle is not its joint's, and the joint's limits do not stand in its plot.
    if leg is None or joint is None or not _plain(leg, axis):
        return ()
    deg = display_unit("angle")
    low, high = (in_unit(value, deg) for value in joint.limits_rad)
    return (Guide("allowed from", "low", low, 0.3), Guide("allowed to", "high", high, 0.3))


def _plain(leg: LegDescription, axis: str) -> bool:
    n = leg.joint_names.index(axis)
    row = leg.coupling[n]
    return all(value == (1.0 if k == n else 0.0) for k, value in enumerate(row))


def _bounds(limit: Limit | None, factor: float) -> tuple[Guide, ...]:
    if limit is None or limit.high is None:
        return ()
    return (Guide("", "low", -factor * limit.high, 6.0), Guide("limit ±", "high", factor * limit.high, 6.0))
