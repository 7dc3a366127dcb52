"""The directory at the end of a Parquet file, read with bounds before any library sees the file.

Parquet libraries trust numbers in it: a codec that does not exist ends the whole process, a size takes that much
memory. The layout is that of parquet.thrift of the Apache Parquet format (memory), in Thrift's compact protocol.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import SEEK_END
from typing import Any, BinaryIO

from legtest.errors import RecordError

_MAGIC = b"PAR1"
_MOST_VALUES = 1_000_000
_DEEPEST = 12
_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = 1, 2, 3, 7, 8, 9, 10, 11, 12
_WHOLE = (4, 5, 6)  # i16, i32, i64
_REQUIRED, _UNCOMPRESSED, _ZSTD = 0, 0, 6
_DATA, _DICTIONARY = 0, 2  # kinds of pages
_PAGE_HEAD, _PAGE_ROWS = 256, 1024  # bytes at most, rows at least
_ENCODINGS = {0, 2, 3, 8}  # plain, dictionary, run lengths
INT32, INT64, DOUBLE = 1, 2, 5
MOST_COLUMNS = 256
LARGEST_DIRECTORY = 64 << 20


class _Reader:
    """Thrift's compact protocol, as numbers of fields and their values."""

    def __init__(self, data: bytes) -> None:
        self._data, self.at, self._values = data, 0, 0

    def struct(self, depth: int = 0) -> dict[int, Any]:
        found: dict[int, Any] = {}
        number = 0
        while head := self._byte():
            step, kind = head >> 4, head & 15
            number = number + step if step else self._whole()
            found[number] = kind == _TRUE if kind in (_TRUE, _FALSE) else self._value(kind, depth)
        return found

    def _value(self, kind: int, depth: int) -> Any:
        self._values += 1
        if depth > _DEEPEST or self._values > _MOST_VALUES:
            raise ValueError("too deep or too many values")
        if kind in _WHOLE:
            return self._whole()
        if kind in (_TRUE, _FALSE, _BYTE):
            return self._byte()
        if kind == _STRUCT:
            return self.struct(depth + 1)
        if kind in (_LIST, _SET):
            head = self._byte()
            count = head >> 4 if head >> 4 < 15 else self._varint()
            return [self._value(head & 15, depth + 1) for _ in range(min(count, _MOST_VALUES + 1))]
        if kind == _DOUBLE:
            return self._take(8)
        if kind == _BINARY:
            return self._take(self._varint())
        raise ValueError(f"a field of kind {kind}")

    def _byte(self) -> int:
        return self._take(1)[0]

    def _take(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self._data):
            raise ValueError("cut off")
        data, self.at = self._data[self.at : end], end
        return data

    def _varint(self) -> int:
        number = 0
        for shift in range(0, 70, 7):
            byte = self._byte()
            number |= (byte & 127) << shift
            if byte < 128:
                return number
        raise ValueError("a number of more than 64 bits")

    def _whole(self) -> int:
        number = self._varint()
        return (number >> 1) ^ -(number & 1)


def check_parquet(file: BinaryIO, first_columns: Sequence[int], *, most_rows: int, most_bytes: int) -> list[int]:
    """The rows of each group of a Parquet file that can be one of ours: plain columns, all inside the file.

    first_columns: the types of the columns before those of doubles. most_rows: of a group; most_bytes: how much all
    rows together may come to in memory. Raises RecordError.
    """
    try:
        size = file.seek(0, SEEK_END)
        about = _Reader(_directory(file, size)).struct()
        rows = _rows(about, first_columns, most_bytes)
        counts = [group[3] for group in about[4]]
        if sum(counts) != rows or any(not 0 <= count <= most_rows for count in counts):
            raise ValueError("groups of rows that do not fit the file")
        for group in about[4]:
            if len(group[1]) != len(about[2]) - 1:
                raise ValueError("a group of rows that does not fit the file")
            for chunk, element in zip(group[1], about[2][1:], strict=True):
                first = _check_chunk(chunk, element, group[3], size)
                _check_pages(file, first, chunk[3], group[3])
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise RecordError(f"not a file of samples: {str(error)[:100]}") from None
    file.seek(0)
    return counts


def _directory(file: BinaryIO, size: int) -> bytes:
    file.seek(0)
    begin = file.read(4)
    file.seek(max(size - 8, 0))
    end = file.read(8)
    if size < 12 or begin != _MAGIC or end[-4:] != _MAGIC:
        raise ValueError("no Parquet file")
    length = int.from_bytes(end[:4], "little")
    if length > min(size - 12, LARGEST_DIRECTORY):
        raise ValueError("cut off, or a directory too large")
    file.seek(size - 8 - length)
    return file.read(length)


def _rows(about: dict[int, Any], first_columns: Sequence[int], most_bytes: int) -> int:
    rows, columns = about[3], about[2][1:]
    if not 1 <= len(columns) <= MOST_COLUMNS:
        raise ValueError(f"{len(columns)} columns; at most {MOST_COLUMNS} are read")
    wanted = [*first_columns, *[DOUBLE] * (len(columns) - len(first_columns))]
    if [element.get(1) for element in columns] != wanted or any(element[3] != _REQUIRED for element in columns):
        raise ValueError("a column is of another type than samples have (t int64, signals double), or may have gaps")
    if rows < 0 or 8 * rows * len(columns) > most_bytes:
        raise ValueError(f"{rows} rows of {len(columns)} columns are more than {most_bytes} bytes")
    return int(rows)


def _check_chunk(chunk: dict[int, Any], element: dict[int, Any], rows: int, size: int) -> int:
    """Where the column's first page begins."""
    about = chunk[3]
    name = bytes(element[4]).decode("utf-8", "replace")
    if 1 in chunk or {8, 9} & chunk.keys():
        raise ValueError(f"column {name} lies in another file, or is encrypted")
    if about[4] not in (_UNCOMPRESSED, _ZSTD):
        raise ValueError(f"column {name} is compressed by codec {about[4]}; ours never are")
    if about[1] != element[1] or not set(about[2]) <= _ENCODINGS:
        raise ValueError(f"column {name} is encoded in a way that ours never are")
    first = min(about[9], about.get(11, about[9]))
    inside = first >= len(_MAGIC) and about[7] >= 0 and first + about[7] <= size
    # A column of rows with a dictionary of them all, some bytes for each page.
    fits = 0 <= about[6] <= 16 * rows + _PAGE_HEAD * (3 + rows // _PAGE_ROWS)
    if about[5] != rows or not fits or not inside:
        raise ValueError(f"column {name} claims more bytes or values than the file has")
    return int(first)


def _check_pages(file: BinaryIO, first: int, about: dict[int, Any], rows: int) -> None:
    """What the pages of a column state, which is how much memory is taken for them, adds up to the column's size."""
    end, left, values = first + about[7], about[6], 0
    while first < end:
        file.seek(first)
        reader = _Reader(file.read(min(_PAGE_HEAD, end - first)))
        page = reader.struct()
        packed, unpacked = page[3], page[2]
        kinds = {_DATA: 5, _DICTIONARY: 7}
        first += reader.at + packed
        left -= reader.at + unpacked
        count = page[kinds[page[1]]][1]
        values += count if page[1] == _DATA else 0
        if packed < 0 or unpacked < 0 or left < 0 or first > end or not 0 <= count <= rows:
            raise ValueError("a page that is larger than its column")
    if values != rows:
        raise ValueError("pages that do not hold the rows of their column")
