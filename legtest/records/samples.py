"""Traces as Parquet files: a column for the instant and one for each signal, units in the fields' metadata."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from legtest.errors import RecordError
from legtest.records.journal import cannot_write
from legtest.records.trace import Trace

LARGEST_FILE = 512 << 20
_FORMAT = "legtest samples 1"


def write_samples(path: Path, trace: Trace) -> None:
    """Write a trace to a new file; RecordError when it exists or cannot be written."""
    import pyarrow as pa
    from pyarrow import parquet

    fields = [pa.field("t", pa.int64(), False, {"unit": "ns"})]
    fields += [pa.field(name, pa.float64(), False, {"unit": trace.units[name]}) for name in trace.columns]
    about = {"format": _FORMAT, "first_frame": str(trace.first_frame), "last_frame": str(trace.last_frame)}
    table = pa.table([trace.t_ns, *trace.columns.values()], pa.schema(fields, about))
    try:
        # A whole file or none: a Parquet file without its end cannot be read.
        with path.open("xb") as file:
            parquet.write_table(table, file, compression="zstd")
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError as error:
        raise cannot_write(path, error) from None
    except OSError as error:
        path.unlink(missing_ok=True)
        raise cannot_write(path, error) from None


def read_samples(path: Path) -> Trace:
    """The trace of a file written by `write_samples`; RecordError for any other file."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        if path.is_symlink() or path.stat().st_size > LARGEST_FILE:
            raise RecordError(f"{path}: not read: a link, or larger than {LARGEST_FILE} bytes")
        table = parquet.read_table(path, memory_map=False)
    except (OSError, pa.ArrowException) as error:
        raise RecordError(f"{path}: not readable as samples: {error}") from None
    about = table.schema.metadata or {}
    names = table.column_names
    if about.get(b"format") != _FORMAT.encode() or names[:1] != ["t"]:
        raise RecordError(f"{path}: this Parquet file holds no legtest samples (format 1)")
    try:
        columns = {name: np.asarray(table[name].to_numpy(), np.float64) for name in names[1:]}
        units = {name: table.schema.field(name).metadata[b"unit"].decode() for name in names[1:]}
        t_ns = np.asarray(table["t"].to_numpy(), np.int64)
        return Trace(t_ns, columns, units, int(about[b"first_frame"]), int(about[b"last_frame"]))
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: not readable as samples: {error!r}") from None
