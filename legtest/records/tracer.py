"""Samples while a movement happens: a second of frames is decoded, handed on and forgotten.

What comes out row by row is what `trace_of` makes of all the frames at once, to the last bit, so it does not matter
which of the two an evaluation sees.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

import numpy as np

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.errors import DecodeError, RecordError
from legtest.records.trace import (
    FIRST_NS,
    SETPOINT_LEAD,
    IntArray,
    Trace,
    decoded,
    every_cycle,
    slow_columns,
    sorted_out,
)

MOST_BYTES = 2 << 30  # of one movement in memory: nine hours of three drives at 250 cycles/s


class Movement(Protocol):
    """Where the samples of one movement go while it happens."""

    def add(self, rows: Trace, spans: IntArray) -> None:
        """Take the next rows. spans: for each the index of the span it lies in, -1 for none. Raises RecordError."""
        ...

    def whole(self, first_frame: int, last_frame: int) -> Trace:
        """All rows taken. Raises RecordError."""
        ...


class InMemory:
    """A movement that no record keeps."""

    def __init__(self) -> None:
        self._rows: list[Trace] = []
        self._size = 0

    def add(self, rows: Trace, spans: IntArray) -> None:
        """Raises RecordError when a movement is longer than any memory should hold."""
        self._size += 8 * len(rows) * (len(rows.columns) + 2)
        if self._size > MOST_BYTES:
            raise RecordError(f"a movement of more than {MOST_BYTES} bytes of samples: cut it in two")
        self._rows.append(rows)

    def whole(self, first_frame: int, last_frame: int) -> Trace:
        return joined(self._rows, first_frame, last_frame)


def joined(rows: Sequence[Trace], first_frame: int, last_frame: int) -> Trace:
    """Rows of one movement, one after the other; no rows: a trace without columns."""
    if not rows:
        return Trace(np.empty(0, np.int64), {}, {}, first_frame, last_frame)
    columns = {name: np.concatenate([each.columns[name] for each in rows]) for name in rows[0].columns}
    for column in columns.values():
        column.flags.writeable = False
    t_ns, sync = (np.concatenate([getattr(each, name) for each in rows]) for name in ("t_ns", "sync"))
    return Trace(t_ns, columns, rows[0].units, first_frame, last_frame, sync)


def spans_of(sync: IntArray, spans: Sequence[tuple[int, int]]) -> IntArray:
    """For each row the index of the span that its SYNC lies in, -1 for none. spans: frames first..last, in order."""
    bounds = np.array(spans, np.int64).reshape(-1, 2)
    before = np.searchsorted(bounds[:, 0], sync, side="right") - 1
    inside = (before >= 0) & (sync < bounds[before, 1]) if len(bounds) else np.zeros(len(sync), bool)
    return np.where(inside, before, -1)


class Tracer:
    """Makes samples of the frames of one movement. keep: is given the rows as they are complete."""

    def __init__(
        self, wiremaps: Sequence[WireMap], sync_id: int, first_frame: int, keep: Callable[[Trace], None]
    ) -> None:
        self._wiremaps, self._sync_id, self._keep = wiremaps, sync_id, keep
        self._first = first_frame  # number of the first frame that waits
        self._waiting: list[Frame] = []
        self._due_ns: int | None = None
        self._done = 0  # rows of the frames that wait which are kept already
        self._every: frozenset[int] | None = None
        self._slow: dict[str, float] = {}
        self._problem: DecodeError | RecordError | None = None

    @property
    def last_frame(self) -> int:
        """The number of the frame that comes next."""
        return self._first + len(self._waiting)

    def add(self, frames: Sequence[Frame]) -> None:
        """Take the next frames of the log. Raises what `keep` raises."""
        if not frames:
            return
        if self._due_ns is None:
            self._due_ns = frames[0].t_ns + FIRST_NS
        self._waiting += frames
        # A little more than a second, so that the first second is whole when it is looked at.
        if frames[-1].t_ns > self._due_ns:
            self._work(ended=False)
            self._due_ns = frames[-1].t_ns + FIRST_NS

    def finish(self) -> None:
        """The movement is over. Raises DecodeError for a frame that its map does not fit, wherever it was."""
        self._work(ended=True)
        if self._problem is not None:
            raise self._problem

    def _work(self, *, ended: bool) -> None:
        log = sorted_out(self._waiting, self._sync_id, self._first)
        rows = len(log.t_ns)
        if self._every is None:
            if not ended and (rows == 0 or log.t_ns[-1] < log.t_ns[0] + FIRST_NS):
                return
            self._every = every_cycle(log, self._wiremaps)
            self._slow = dict.fromkeys(slow_columns(self._wiremaps, self._every), np.nan)
        # Of a row everything has come when the next begins.
        complete = rows if ended else max(rows - 1, 0)
        if complete > self._done or (ended and rows == 0):
            try:
                trace = self._carried(decoded(log, self._wiremaps, self._every))
                self._keep(trace.rows(slice(self._done, complete)))
            except DecodeError as error:
                # The leg is not stopped for it; whoever would evaluate the movement is told.
                self._problem = self._problem or error
        if complete > 0 and not ended:
            # Set-points act two rows on, so the last two rows are decoded again with what follows.
            self._done = min(SETPOINT_LEAD, complete)
            cut = int(log.sync[complete - self._done])
            self._waiting = self._waiting[cut:]
            self._first += cut

    def _carried(self, trace: Trace) -> Trace:
        """Slow signals keep their value from one stretch into the next."""
        columns = dict(trace.columns)
        for name, last in self._slow.items():
            column = np.where(np.isnan(columns[name]), last, columns[name])
            column.flags.writeable = False
            columns[name] = column
            if len(column) > 1:
                self._slow[name] = float(column[-2])  # the last row is not complete yet
        return Trace(trace.t_ns, columns, trace.units, trace.first_frame, trace.last_frame, trace.sync)


def traced(frames: Iterable[Frame], wiremaps: Sequence[WireMap], sync_id: int, first_frame: int) -> Trace:
    """As `trace_of`, and holds no more frames at once than a second has. Raises DecodeError, RecordError."""
    kept = InMemory()
    tracer = Tracer(wiremaps, sync_id, first_frame, lambda rows: kept.add(rows, rows.sync))
    several: list[Frame] = []
    for frame in frames:
        several.append(frame)
        if len(several) == 1000:
            tracer.add(several)
            several = []
    tracer.add(several)
    tracer.finish()
    return kept.whole(first_frame, tracer.last_frame)
