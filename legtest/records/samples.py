"""The samples of a part in one file: an Arrow stream while it is written, sealed to Parquet when the part has ended.

Both hold the same rows in the same order (see `legtest.records.stream`), and both are read by bounds: a movement at
a time, only the columns that are asked for, and nothing is unpacked before the size it states is looked at.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from legtest.errors import RecordError
from legtest.records.blocks import MOST_ROWS, Block, Torn, blocks_in, column_of, schema_in
from legtest.records.files import cannot_read, cannot_write, open_plain
from legtest.records.footer import INT32, INT64, MOST_COLUMNS, check_parquet
from legtest.records.segment import Rows
from legtest.records.trace import Trace

if TYPE_CHECKING:
    import pyarrow as pa

STREAM, SEALED = "samples.arrows", "samples.parquet"
FORMAT = "legtest samples 2"
INDEX = {"t": ("int64", "ns"), "sync": ("int64", "1"), "segment": ("int32", "1"), "span": ("int32", "1")}
LARGEST_MOVEMENT = 2 << 30  # bytes in memory: nine hours of three drives at 250 cycles/s
_PHYSICAL = [INT64, INT64, INT32, INT32]
_KINDS = ["<i8", "<i8", "<i4", "<i4"]
_LARGEST = 1 << 40  # bytes in memory, if all were read at once
_GROUP = 1 << 14  # a group of rows of the sealed file ends with a movement, once it has so many
_DIRECTORY = {"thrift_string_size_limit": 1 << 20, "thrift_container_size_limit": 1_000_000}

Arrays = list[NDArray[Any]]


class SampleFile:
    """Samples to read. names, units: of the columns that are signals; rows: how many there are, all movements together.

    torn: the stream ends in half a block, which is left out.
    """

    def __init__(self, path: Path, schema: pa.Schema | None, counts: list[int], torn: bool, read: _Read) -> None:
        """Use `open`."""
        self.path, self.torn, self.rows = path, torn, sum(counts)
        self._counts, self._read = counts, read
        self.names, self.units = _columns_of(schema) if schema is not None else ((), {})

    @classmethod
    @contextmanager
    def open(cls, path: Path, within: Path | None = None) -> Iterator[SampleFile]:
        """A stream or a sealed file. Raises RecordError for one that is not ours; what is inside as well."""
        try:
            file = open_plain(path, within)
        except OSError as error:
            raise cannot_read(path, error) from None
        with file:
            with _errors_of(path):
                made = (_sealed if path.name == SEALED else _stream)(path, file)
            yield made

    def trace(self, kept: Rows, columns: Collection[str] | None = None) -> Trace:
        """The samples of one movement, or some of its columns. Raises RecordError when they are not all there."""
        names = [name for name in self.names if columns is None or name in columns]
        if columns is not None and len(names) != len(set(columns)):
            missing = min(set(columns) - set(names))
            raise RecordError(f"{self.path}: no column {missing!r}; there are {', '.join(self.names)}")
        if not 0 <= kept.rows <= self.rows - kept.first_row or kept.first_row < 0:
            end = kept.first_row + kept.rows
            raise RecordError(f"{self.path}: {self.rows} rows, but movement {kept.name} ends with row {end}")
        if 8 * kept.rows * (len(names) + 3) > LARGEST_MOVEMENT:
            raise RecordError(f"{self.path}: movement {kept.name} has more than {LARGEST_MOVEMENT} bytes")
        wanted = [0, 1, 2, *(len(INDEX) + self.names.index(name) for name in names)]
        t_ns, sync, segment, *values = self._rows(kept.first_row, kept.rows, wanted)
        if not kept.name.isdecimal() or (segment != int(kept.name[:9])).any():
            raise RecordError(f"{self.path}: movement {kept.name} does not lie where the journal says")
        for each in (t_ns, *values):
            each.flags.writeable = False
        units = {name: self.units[name] for name in names}
        return Trace(t_ns, dict(zip(names, values, strict=True)), units, kept.first_frame, kept.last_frame, sync)

    def stretches(self) -> Iterator[Arrays]:
        """Everything, in order and in pieces of at most MOST_ROWS rows; all columns."""
        everything = list(range(len(INDEX) + len(self.names)))
        for n in range(len(self._counts)):
            yield self._piece(n, everything)

    def _rows(self, first: int, count: int, wanted: list[int]) -> Arrays:
        found: list[Arrays] = [[np.empty(0, _kind(n)) for n in wanted]]
        begin = 0
        for n, rows in enumerate(self._counts):
            if begin < first + count and begin + rows > first:
                inside = slice(max(first - begin, 0), first + count - begin)
                found.append([column[inside] for column in self._piece(n, wanted)])
            begin += rows
        return [np.concatenate(each) for each in zip(*found, strict=True)]

    def _piece(self, n: int, wanted: list[int]) -> Arrays:
        with _errors_of(self.path):
            return self._read(n, wanted)


_Read = Callable[[int, list[int]], Arrays]


@contextmanager
def _errors_of(path: Path) -> Iterator[None]:
    """Whatever goes wrong with a file's content is a RecordError that names it."""
    import pyarrow as pa

    try:
        yield
    except (RecordError, OSError, pa.ArrowException, KeyError, ValueError) as error:
        raise RecordError(f"{path}: not readable as samples: {str(error)[:200]}") from None


def _kind(column: int) -> str:
    return _KINDS[column] if column < len(_KINDS) else "<f8"


def _stream(path: Path, file: BinaryIO) -> SampleFile:
    size = os.fstat(file.fileno()).st_size
    schema = schema_in(file)
    if schema is None:
        return SampleFile(path, None, [], size > 0, lambda n, wanted: [])
    _columns_of(schema)
    blocks: list[Block] = []
    torn = False
    try:
        blocks.extend(blocks_in(file, size, len(schema)))  # what came before the half one stays
    except Torn:
        torn = True
    counts = [block.rows for block in blocks]
    return SampleFile(
        path, schema, counts, torn, lambda n, wanted: [column_of(file, blocks[n], k, _kind(k)) for k in wanted]
    )


def _sealed(path: Path, file: BinaryIO) -> SampleFile:
    import pyarrow as pa
    from pyarrow import parquet

    counts = check_parquet(file, _PHYSICAL, most_rows=MOST_ROWS, most_bytes=_LARGEST)
    found = parquet.ParquetFile(pa.PythonFile(file, "r"), memory_map=False, **_DIRECTORY)
    schema = found.schema_arrow
    _columns_of(schema)

    def read(n: int, wanted: list[int]) -> Arrays:
        table = found.read_row_group(n, columns=[schema.names[k] for k in wanted], use_threads=False)
        return [np.asarray(table[schema.names[k]].to_numpy(), _kind(k)) for k in wanted]

    return SampleFile(path, schema, counts, False, read)


def _columns_of(schema: pa.Schema) -> tuple[tuple[str, ...], dict[str, str]]:
    """Names and units of the signals. Raises RecordError for a schema that is not ours."""
    names = tuple(schema.names)
    kinds = [str(kind) for kind in schema.types]
    wanted = [kind for kind, _ in INDEX.values()] + ["double"] * (len(names) - len(INDEX))
    if (schema.metadata or {}).get(b"format") != FORMAT.encode() or names[: len(INDEX)] != tuple(INDEX):
        raise RecordError("this file holds no legtest samples (format 2)")
    if kinds != wanted or len(set(names)) != len(names) or len(names) > MOST_COLUMNS or any(f.nullable for f in schema):
        raise RecordError("its columns are not those of samples")
    signals = list(schema)[len(INDEX) :]
    return names[len(INDEX) :], {f.name: (f.metadata or {}).get(b"unit", b"")[:40].decode("utf-8", "replace")
                                 for f in signals}  # fmt: skip


def seal_samples(folder: Path) -> None:
    """Turn the stream in a part's folder into a sealed file and take it away; no stream, nothing to do.

    Never more than a group of rows is in memory. Raises RecordError; the stream is then still there, whole.
    """
    stream, new = folder / STREAM, folder / f"{SEALED}.new"
    if not stream.exists():
        return
    try:
        with SampleFile.open(stream) as file, new.open("wb") as out:
            if file.torn:
                raise RecordError(f"{stream}: cut off in the middle: it is left as it is")
            _write_sealed(file, out)
            out.flush()
            os.fsync(out.fileno())
        new.replace(folder / SEALED)
        stream.unlink()
    except OSError as error:
        with suppress(OSError):
            new.unlink()
        raise cannot_write(folder / SEALED, error) from None


def _write_sealed(file: SampleFile, out: BinaryIO) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    fields = [pa.field(name, kind, False, {"unit": unit}) for name, (kind, unit) in INDEX.items()]
    fields += [pa.field(name, pa.float64(), False, {"unit": file.units[name]}) for name in file.names]
    schema = pa.schema(fields, {"format": FORMAT})
    with parquet.ParquetWriter(
        pa.PythonFile(out, "w"), schema, compression="zstd", write_statistics=False, version="2.6"
    ) as writer:
        for group in _groups(file):
            columns = [np.concatenate(each) for each in zip(*group, strict=True)]
            writer.write_table(pa.table(columns, schema), row_group_size=MOST_ROWS)


def _groups(file: SampleFile) -> Iterator[list[Arrays]]:
    group: list[Arrays] = []
    rows, segment = 0, -1
    for piece in file.stretches():
        begins = int(piece[2][0]) if len(piece[2]) else segment
        full = rows + len(piece[0]) > MOST_ROWS or (rows >= _GROUP and begins != segment)
        if group and full:
            yield group
            group, rows = [], 0
        group.append(piece)
        rows, segment = rows + len(piece[0]), begins
    if group:
        yield group
