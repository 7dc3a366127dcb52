"""A recorded movement with its frames: everything `evaluate` may look at, in the run and from the record alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.description.model import JointDescription, LegDescription
from legtest.kinematics import joints_of_actuators
from legtest.records.segment import Segment, Timing
from legtest.records.trace import Trace
from legtest.records.tracer import traced

FloatArray = NDArray[np.float64]
FramesOf = Callable[[int, int], Sequence[Frame]]  # frames first..last, the last not included


class Recorded:
    """One segment and its samples; its spans lie inside the frames that are behind them."""

    def __init__(
        self,
        segment: Segment,
        leg: LegDescription,
        wiremaps: Sequence[WireMap],
        sync_id: int,
        frames: Iterable[Frame],
        first_frame: int,
        again: FramesOf | None = None,
    ) -> None:
        """From frames, which are numbers first_frame.. of the frame log. again: where to read some of them again."""
        self.segment, self.leg, self.wiremaps = segment, leg, tuple(wiremaps)
        self.whole = traced(frames, wiremaps, sync_id, first_frame)
        if again is None and isinstance(frames, Sequence):
            kept = frames
            again = lambda first, last: kept[first - first_frame : last - first_frame]  # noqa: E731
        self._frames = again

    @classmethod
    def of(
        cls, segment: Segment, leg: LegDescription, wiremaps: Sequence[WireMap], whole: Trace, again: FramesOf | None
    ) -> Recorded:
        """From samples, which know the number of each row's SYNC."""
        made = cls.__new__(cls)
        made.segment, made.leg, made.wiremaps, made.whole = segment, leg, tuple(wiremaps), whole
        made._frames = again
        return made

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

    def frames(self, label: str) -> list[Sequence[Frame]]:
        """The frames of every span with this label, in order: object accesses, emergency messages, heartbeats.

        Raises KeyError when they were not kept, which `Recording.keep_frames` asks for.
        """
        if self._frames is None:
            raise KeyError(f"{self.segment.procedure}: its frames were not kept: call `keep_frames()` first")
        return [self._frames(span.first, span.last) for span in self.segment.spans if span.label == label]

    def _cut(self, first: int, last: int) -> Trace:
        """Rows whose SYNC is one of frames first..last (last not included)."""
        inside = self.whole.rows((self.whole.sync >= first) & (self.whole.sync < last))
        return replace(inside, first_frame=first, last_frame=last)

    def actuators(self, trace: Trace, signal: str = "position") -> FloatArray:
        """(rows, axes) of one signal of every axis, actuator side, SI."""
        return np.stack([trace.column(f"{name}.{signal}") for name in self.leg.joint_names], axis=1)

    def joints(self, trace: Trace, signal: str = "position") -> FloatArray:
        """(rows, joints), rad: joint angles of a position-like signal ("position", "setpoint")."""
        return joints_of_actuators(self.leg, self.actuators(trace, signal))

    def joint_index(self) -> int:
        return self.leg.joint_names.index(self.joint.name)
