"""What a bench keeps of a movement while it happens, and where its events go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.hands import Reading
from legtest.metrology.measurement import Measurement
from legtest.records.recorded import FramesOf, Recorded
from legtest.records.segment import Span
from legtest.records.trace import Trace
from legtest.records.tracer import InMemory, Movement, Tracer, spans_of

__all__ = ["InMemory", "Log", "Movement", "Recording"]


class Log(Protocol):
    """Where a bench's events go: the part of a run's record (legtest.records.part)."""

    def precheck(self, t_ns: int, report: Mapping[str, Any], /) -> None: ...
    def setup(self, t_ns: int, setup: str, by: str, /) -> None: ...
    def movement(self) -> Movement: ...
    def recorded(self, t_ns: int, recorded: Recorded, method: str, /) -> None: ...
    def measured(self, t_ns: int, measurement: Measurement, /) -> None: ...


class Recording:
    """A movement being recorded; `spans` grows as the bench moves. `result` is there once the block has ended.

    However long it takes, it holds the frames of about a second: what is older is samples, and with `kept`.
    """

    def __init__(self, first_frame: int, wiremaps: Sequence[WireMap], sync_id: int, kept: Movement) -> None:
        self.first_frame = first_frame
        self._frames: list[Frame] | None = None
        self.spans: list[Span] = []
        self.readings: list[Reading] = []
        self.found: dict[str, Any] = {}  # what only turned out meanwhile; joins the arguments, plain values
        self.result: Recorded | None = None
        self._kept = kept
        self._tracer = Tracer(wiremaps, sync_id, first_frame, self._keep)
        self._begun: int | None = None  # first frame of the span that is not over

    def keep_frames(self) -> None:
        """Hold every frame, for a movement of minutes whose evaluation looks at single ones (`Recorded.frames`).

        To be called before the first motion of the block.
        """
        self._frames = []

    def absorb(self, frames: Sequence[Frame]) -> None:
        """Take the next frames. Raises RecordError when their samples cannot be kept."""
        if self._frames is not None:
            self._frames += frames
        self._tracer.add(frames)

    def begin_span(self, first: int) -> None:
        """A span begins with this frame."""
        self._begun = first

    def end_span(self, span: Span) -> None:
        self.spans.append(span)
        self._begun = None

    def samples(self) -> Trace:
        """The movement is over: all its samples. Raises DecodeError, RecordError."""
        self._tracer.finish()
        return self._kept.whole(self.first_frame, self._tracer.last_frame)

    def frames(self) -> FramesOf | None:
        """Where to find its frames, if they were kept."""
        frames, begin = self._frames, self.first_frame
        return None if frames is None else lambda first, last: frames[first - begin : last - begin]

    def _keep(self, rows: Trace) -> None:
        spans = [(span.first, span.last) for span in self.spans]
        if self._begun is not None:
            spans.append((self._begun, self._tracer.last_frame))
        self._kept.add(rows, spans_of(rows.sync, spans))
