"""The directory at the end of a Parquet file, read with bounds before any library sees the file.

Parquet libraries trust numbers in it: a codec that does not exist ends the whole process, a size takes that much
memory. The layout is that of parquet.thrift of the Apache Parquet format (memory), in Thrift's compact protocol.
"""

from __future__ import annotations

from typing import Any

from legtest.errors import RecordError

_MAGIC = b"PAR1"
_MOST_VALUES = 100_000
_DEEPEST = 12
_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = 1, 2, 3, 7, 8, 9, 10, 11, 12
_WHOLE = (4, 5, 6)  # i16, i32, i64
_INT64, _REAL, _REQUIRED, _UNCOMPRESSED = 2, 5, 0, 0
_ENCODINGS = {0, 2, 3, 8}  # plain, dictionary, run lengths
MOST_COLUMNS = 256


class _Reader:
    """Thrift's compact protocol, as numbers of fields and their values."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at, self._values = data, 0, 0

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
        end = self._at + count
        if end > len(self._data):
            raise ValueError("cut off")
        data, self._at = self._data[self._at : end], end
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


def check_footer(content: bytes, most_bytes: int) -> None:
    """Raises RecordError unless a file can be one of ours: plain columns, nothing compressed, all inside the file.

    most_bytes: how much its rows may come to in memory.
    """
    try:
        if len(content) < 12 or content[:4] != _MAGIC or content[-4:] != _MAGIC:
            raise ValueError("no Parquet file")
        size = int.from_bytes(content[-8:-4], "little")
        if size > len(content) - 12:
            raise ValueError("cut off")
        about = _Reader(content[-8 - size : -8]).struct()
        rows = _rows(about, most_bytes)
        for group in about[4]:
            if not 0 <= group[3] <= rows or len(group[1]) != len(about[2]) - 1:
                raise ValueError("a group of rows that does not fit the file")
            for chunk, element in zip(group[1], about[2][1:], strict=True):
                _check_chunk(chunk, element, group[3], len(content))
        if sum(group[3] for group in about[4]) != rows:
            raise ValueError("groups of rows that do not fit the file")
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise RecordError(f"not a file of samples: {str(error)[:100]}") from None


def _rows(about: dict[int, Any], most_bytes: int) -> int:
    rows, columns = about[3], about[2][1:]
    if not 1 <= len(columns) <= MOST_COLUMNS:
        raise ValueError(f"{len(columns)} columns; at most {MOST_COLUMNS} are read")
    wanted = [_INT64, *[_REAL] * (len(columns) - 1)]
    if [element.get(1) for element in columns] != wanted or any(element[3] != _REQUIRED for element in columns):
        raise ValueError("a column is of another type than int64 for t and double for the others, or may have gaps")
    if rows < 0 or 8 * rows * len(columns) > most_bytes:
        raise ValueError(f"{rows} rows of {len(columns)} columns are more than {most_bytes} bytes")
    return int(rows)


def _check_chunk(chunk: dict[int, Any], element: dict[int, Any], rows: int, size: int) -> None:
    about = chunk[3]
    name = bytes(element[4]).decode("utf-8", "replace")
    if 1 in chunk or {8, 9} & chunk.keys():
        raise ValueError(f"column {name} lies in another file, or is encrypted")
    if about[4] != _UNCOMPRESSED:
        raise ValueError(f"column {name} is compressed (codec {about[4]}); ours never are")
    if about[1] != element[1] or not set(about[2]) <= _ENCODINGS:
        raise ValueError(f"column {name} is encoded in a way that ours never are")
    first = min(about[9], about.get(11, about[9]))
    inside = first >= len(_MAGIC) and about[7] >= 0 and first + about[7] <= size
    if about[5] != rows or about[6] != about[7] or not inside:
        raise ValueError(f"column {name} claims more bytes or values than the file has")
