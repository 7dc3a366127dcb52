"""A recorded movement with its frames: everything `evaluate` may look at, in the run and from the record alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.description.model import JointDescription, LegDescription
from legtest.kinematics import joints_of_actuators
from legtest.records.segment import Segment, Timing
from legtest.records.trace import Trace, trace_of

FloatArray = NDArray[np.float64]


class Recorded:
    """One segment: its frames are numbers first_frame.. of the frame log, its spans lie inside them."""

    def __init__(
        self,
        segment: Segment,
        leg: LegDescription,
        wiremaps: Sequence[WireMap],
        sync_id: int,
        frames: Sequence[Frame],
        first_frame: int,
    ) -> None:
        self.segment, self.leg = segment, leg
        self._frames, self._first = frames, first_frame
        self.whole = trace_of(frames, wiremaps, sync_id, first_frame)

    @property
    def arguments(self) -> dict[str, Any]:
        return dict(self.segment.arguments)

    @property
    def timing(self) -> Timing:
        return self.segment.timing

    @property
    def joint(self) -> JointDescription:
        """The joint under test. Raises KeyError when the segment is of the whole leg."""
        return self.leg.joint(self.segment.joint or "(none)")

    @property
    def labels(self) -> tuple[str, ...]:
        return tuple(span.label for span in self.segment.spans)

    def traces(self, label: str) -> list[Trace]:
        """The samples of every span with this label, in order."""
        return [self._cut(span.first, span.last) for span in self.segment.spans if span.label == label]

    def trace(self, label: str) -> Trace:
        """The samples of the one span with this label. Raises KeyError when there is none or more than one."""
        found = self.traces(label)
        if len(found) != 1:
            raise KeyError(f"{len(found)} spans are labelled {label!r}; there are {', '.join(self.labels)}")
        return found[0]

    def _cut(self, first: int, last: int) -> Trace:
        """Rows whose SYNC lies in frames first..last (last not included)."""
        low = self._frames[first - self._first].t_ns
        inside = (self.whole.t_ns >= low) & (self.whole.t_ns <= self._frames[last - 1 - self._first].t_ns)
        columns = {name: column[inside] for name, column in self.whole.columns.items()}
        return Trace(self.whole.t_ns[inside], columns, self.whole.units, first, last)

    def actuators(self, trace: Trace, signal: str = "position") -> FloatArray:
        """(rows, axes) of one signal of every axis, actuator side, SI."""
        return np.stack([trace.column(f"{name}.{signal}") for name in self.leg.joint_names], axis=1)

    def joints(self, trace: Trace, signal: str = "position") -> FloatArray:
        """(rows, joints), rad: joint angles of a position-like signal ("position", "setpoint")."""
        return joints_of_actuators(self.leg, self.actuators(trace, signal))

    def joint_index(self) -> int:
        return self.leg.joint_names.index(self.joint.name)
