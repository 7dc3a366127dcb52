"""Samples of a part while it runs: an Arrow stream that is only ever added to, about a second of a movement at a time.

    t        int64    ns since the link was opened, the instant of the row's SYNC
    sync     int64    the number of that SYNC in the frame log
    segment  int32    which movement of the part, counted from 0, also those that came to no end
    span     int32    which span of the movement, -1 between them
    knee.position, ... float64, the unit in the field's metadata; NaN where nothing was received

A block reaches the operating system as a whole or is taken back, so what stands in the file can be read up to its last
whole block, whatever became of its writer. It costs a few milliseconds a second, which is why it may be done while
the leg is powered: everything that takes longer (evaluating, sealing) is done when the power is off.
"""

from __future__ import annotations

import os
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from legtest.errors import RecordError
from legtest.records.files import cannot_write
from legtest.records.samples import FORMAT, INDEX, STREAM, SampleFile
from legtest.records.segment import Rows
from legtest.records.sink import FrameSink
from legtest.records.trace import IntArray, Trace

if TYPE_CHECKING:
    import pyarrow as pa


class StreamWriter:
    """The writing end of a part's samples. The file is made with the first rows. `rows`: written so far."""

    def __init__(self, folder: Path, frames: FrameSink | None = None) -> None:
        """frames: the frame log beside it; when that has lost anything, no movement goes on."""
        self.path, self._frames = folder / STREAM, frames
        self.rows = self._segments = self._size = 0
        self._fd = -1
        self._held = BytesIO()
        self._arrow: Any = None
        self._schema: pa.Schema | None = None
        self._problem: RecordError | None = None

    def movement(self) -> StreamedMovement:
        """A new movement; what is added to it is in the stream as soon as it is added."""
        self._segments += 1
        return StreamedMovement(self, self._segments - 1)

    def add(self, segment: int, trace: Trace, spans: IntArray) -> None:
        """Write one block. Raises RecordError, and from then on again and again: a stream with a hole tells lies."""
        import pyarrow as pa

        if self._problem is None and self._frames is not None:
            self._problem = self._frames.problem
        if self._problem is not None:
            raise self._problem
        if self._schema is None:
            self._begin(trace)
        elif list(self._schema.names[len(INDEX) :]) != list(trace.columns):
            raise RecordError(f"{self.path}: a trace of other columns than the part's first one")
        if not len(trace):
            return
        index = (trace.t_ns, trace.sync, np.full(len(trace), segment, np.int32), np.asarray(spans, np.int32))
        self._arrow.write_batch(pa.record_batch([*index, *trace.columns.values()], schema=self._schema))
        self._write()
        self.rows += len(trace)

    def close(self) -> None:
        """End the stream and let go of the file; harmless when repeated."""
        if self._fd < 0:
            return
        try:
            if self._problem is None:
                self._arrow.close()
                self._write()
        finally:
            os.close(self._fd)
            self._fd = -1

    def _begin(self, trace: Trace) -> None:
        import pyarrow as pa

        fields = [pa.field(name, kind, False, {"unit": unit}) for name, (kind, unit) in INDEX.items()]
        fields += [pa.field(name, pa.float64(), False, {"unit": trace.units[name]}) for name in trace.columns]
        schema = pa.schema(fields, {"format": FORMAT})
        try:
            self._fd = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
        except OSError as error:
            self._problem = cannot_write(self.path, error)
            raise self._problem from None
        options = pa.ipc.IpcWriteOptions(compression="zstd", use_threads=False)
        self._arrow = pa.ipc.new_stream(pa.PythonFile(self._held, "w"), schema, options=options)
        self._schema = schema

    def _write(self) -> None:
        rest = memoryview(self._held.getvalue())
        self._held.seek(0)
        self._held.truncate()
        written = len(rest)
        try:
            while rest:
                rest = rest[os.write(self._fd, rest) :]
        except OSError as error:
            self._problem = cannot_write(self.path, error)
            os.ftruncate(self._fd, self._size)
            raise self._problem from None
        self._size += written


class StreamedMovement:
    """One movement of a stream."""

    def __init__(self, stream: StreamWriter, segment: int) -> None:
        self._stream, self.segment = stream, segment
        self._first, self._rows = stream.rows, 0

    def add(self, rows: Trace, spans: IntArray) -> None:
        """Write the next rows. Raises RecordError."""
        self._stream.add(self.segment, rows, spans)
        self._rows += len(rows)

    def whole(self, first_frame: int, last_frame: int) -> Trace:
        """All its rows, read back: what is evaluated is what the record holds. Raises RecordError."""
        with SampleFile.open(self._stream.path) as file:
            return file.trace(self.kept(first_frame, last_frame))

    def kept(self, first_frame: int, last_frame: int) -> Rows:
        """Where its rows lie."""
        return Rows(f"{self.segment:04d}", self._first, self._rows, first_frame, last_frame)
