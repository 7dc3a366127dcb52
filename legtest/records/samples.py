"""Traces as Parquet files: a column for the instant and one for each signal, units in the fields' metadata.

Nothing in them is compressed: what has nothing to unpack cannot grow. Beside the frame log they are small anyway.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from legtest.errors import RecordError
from legtest.records.files import cannot_write, read_whole
from legtest.records.footer import check_footer
from legtest.records.trace import Trace

LARGEST_FILE = 512 << 20
_FORMAT = "legtest samples 1"
# Bounds of the file's own directory, in addition to `check_footer`.
_DIRECTORY = {"thrift_string_size_limit": 1 << 20, "thrift_container_size_limit": 100_000}


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
            parquet.write_table(table, file, compression="none")
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError as error:
        raise cannot_write(path, error) from None
    except OSError as error:
        path.unlink(missing_ok=True)
        raise cannot_write(path, error) from None


def read_samples(path: Path, within: Path | None = None) -> Trace:
    """The trace of a file written by `write_samples`; RecordError for any other file. within: see `open_plain`."""
    return samples_of(read_whole(path, LARGEST_FILE, within), path)


def samples_of(content: bytes, path: Path) -> Trace:
    """The trace in the bytes of a file. path: for messages. Raises RecordError."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        check_footer(content, LARGEST_FILE)
        table = parquet.ParquetFile(pa.BufferReader(content), memory_map=False, **_DIRECTORY).read(use_threads=False)
        about, names = table.schema.metadata, table.column_names
        if about.get(b"format") != _FORMAT.encode() or names[0] != "t" or len(set(names)) != len(names):
            raise RecordError("this Parquet file holds no legtest samples (format 1)")
        columns = {name: np.asarray(table[name].to_numpy(), np.float64) for name in names[1:]}
        units = {name: table.schema.field(name).metadata[b"unit"].decode() for name in names[1:]}
        t_ns = np.asarray(table["t"].to_numpy(), np.int64)
        first, last = (int(about[key][:19]) for key in (b"first_frame", b"last_frame"))
    except (RecordError, OSError, pa.ArrowException, KeyError, TypeError, ValueError, AttributeError) as error:
        raise RecordError(f"{path}: not readable as samples: {str(error)[:200]}") from None
    return Trace(t_ns, columns, units, first, last)
