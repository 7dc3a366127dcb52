"""Samples as records of version 1 and 2 keep them: a Parquet file for each movement."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np

from legtest.errors import RecordError
from legtest.records.footer import INT64, check_parquet
from legtest.records.trace import Trace

LARGEST_FILE = 512 << 20
_FORMAT = "legtest samples 1"
# Bounds of the file's own directory, in addition to `check_parquet`.
_DIRECTORY = {"thrift_string_size_limit": 1 << 20, "thrift_container_size_limit": 100_000}


def samples_of(content: bytes, path: Path) -> Trace:
    """The trace in the bytes of a file, without the numbers of its SYNCs. path: for messages. Raises RecordError."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        check_parquet(BytesIO(content), [INT64], most_rows=LARGEST_FILE, most_bytes=LARGEST_FILE)
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
