"""Blocks of an Arrow stream, read with bounds: the sizes a file states are looked at before anything is unpacked.

The layout is that of the Arrow columnar format, version 5 (Message.fbs, Schema.fbs; from memory): messages of a
length, a FlatBuffers table and a body. A message is there as a whole or not at all, so a stream may end anywhere.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.errors import RecordError

if TYPE_CHECKING:
    import pyarrow as pa

MOST_ROWS = 1 << 16  # of one block, and of one group of rows of a sealed file
_LARGEST_HEAD = 1 << 20
_LARGEST_BODY = 256 << 20
_CONTINUES = b"\xff\xff\xff\xff"
_BATCH, _ZSTD = 3, 1
_NOT_OURS = "not a stream of samples: "


class Block(NamedTuple):
    """Some rows: where its body lies in the file, and in it the bytes (offset, length) of each column."""

    rows: int
    at: int
    columns: tuple[tuple[int, int], ...]


class Torn(Exception):
    """The last block was cut off while it was written."""


class _Table:
    """A FlatBuffers table; struct.error where it points out of its bytes."""

    def __init__(self, data: bytes, at: int) -> None:
        self.data, self.at = data, at
        self._map = at - self.number("<i", at)
        self._length = self.number("<H", self._map)

    def number(self, form: str, at: int) -> int:
        if at < 0:
            raise ValueError("a place before its beginning")
        return int(struct.unpack_from(form, self.data, at)[0])

    def field(self, n: int, form: str, default: int = 0) -> int:
        place = self._place(n)
        return self.number(form, place) if place else default

    def table(self, n: int) -> _Table | None:
        place = self._place(n)
        return _Table(self.data, place + self.number("<I", place)) if place else None

    def pairs(self, n: int, most: int) -> list[tuple[int, int]]:
        """A vector of structures of two 64-bit numbers."""
        place = self._place(n)
        if not place:
            return []
        place += self.number("<I", place)
        count = self.number("<I", place)
        if count > most:
            raise ValueError(f"{count} parts in one block")
        return [struct.unpack_from("<qq", self.data, place + 4 + 16 * k) for k in range(count)]

    def _place(self, n: int) -> int:
        offset = self.number("<H", self._map + 4 + 2 * n) if 4 + 2 * n < self._length else 0
        return self.at + offset if offset else 0


def schema_in(file: BinaryIO) -> pa.Schema | None:
    """The schema at the beginning of a stream; None when it was cut off before its end. Raises RecordError."""
    import pyarrow as pa

    head = _head(file)
    if not head:
        return None
    try:
        return pa.ipc.read_schema(pa.py_buffer(_CONTINUES + struct.pack("<i", len(head)) + head))
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordError(f"{_NOT_OURS}{str(error)[:100]}") from None


def blocks_in(file: BinaryIO, size: int, columns: int) -> Iterator[Block]:
    """The whole blocks that follow the schema, the file being `size` bytes long; their bodies are not read.

    columns: how many there are. Raises Torn when half a block is left, RecordError for what no writer of
    ours wrote.
    """
    try:
        while True:
            head = _head(file)
            if head is None:
                return
            at = file.tell()
            if not head:
                raise EOFError
            block, length = _block(head, at, columns)
            if at + length > size:
                raise EOFError
            file.seek(at + length)
            yield block
    except EOFError:
        raise Torn from None
    except (struct.error, ValueError, IndexError) as error:
        raise RecordError(f"{_NOT_OURS}{str(error)[:100]}") from None


def column_of(file: BinaryIO, block: Block, n: int, dtype: str) -> NDArray[Any]:
    """The values of column n of a block, (rows,). Raises RecordError."""
    import pyarrow as pa

    offset, length = block.columns[n]
    size = np.dtype(dtype).itemsize * block.rows
    file.seek(block.at + offset)
    packed = file.read(length)
    try:
        unpacked = struct.unpack_from("<q", packed)[0] if size else 0
        if unpacked == -1:  # it did not get smaller
            content: Any = packed[8:]
        elif unpacked != size:
            raise ValueError(f"a column of {unpacked} bytes where {size} should be")
        else:
            content = pa.decompress(packed[8:], size, codec="zstd") if size else b""
        return np.frombuffer(content, dtype, block.rows) if len(content) == size else _wrong(len(content), size)
    except (struct.error, ValueError, pa.ArrowException, OSError) as error:
        raise RecordError(f"{_NOT_OURS}{str(error)[:100]}") from None


def _wrong(found: int, size: int) -> NDArray[Any]:
    raise ValueError(f"a column of {found} bytes where {size} should be")


def _head(file: BinaryIO) -> bytes | None:
    """The table of the next message; None at the end of the stream, empty when it was cut off."""
    prefix = file.read(8)
    if not prefix:
        return None
    if len(prefix) < 8:
        return b""
    length = struct.unpack("<i", prefix[4:])[0]
    if prefix[:4] != _CONTINUES or not 0 <= length <= _LARGEST_HEAD:
        raise RecordError(f"{_NOT_OURS}no message where one should begin")
    if length == 0:
        return None
    head = file.read(length)
    return head if len(head) == length else b""


def _block(head: bytes, at: int, columns: int) -> tuple[Block, int]:
    root = _Table(head, int(struct.unpack_from("<I", head)[0]))
    batch, length = root.table(2), root.field(3, "<q")
    if root.field(1, "<B") != _BATCH or batch is None:
        raise ValueError("a message that is no block of rows")
    rows, packing = batch.field(0, "<q"), batch.table(3)
    if not 0 <= rows <= MOST_ROWS or not 0 <= length <= _LARGEST_BODY:
        raise ValueError(f"a block of {rows} rows in {length} bytes; at most {MOST_ROWS} rows are read")
    if packing is None or packing.field(0, "<b") != _ZSTD or packing.field(1, "<b") != 0:
        raise ValueError("a block that is packed in a way ours never are")
    nodes, places = batch.pairs(1, columns), batch.pairs(2, 2 * columns)
    if nodes != [(rows, 0)] * columns or len(places) != 2 * columns:
        raise ValueError("a block whose columns are not those of the stream")
    for (_, valid), (offset, packed) in zip(places[::2], places[1::2], strict=True):
        if valid != 0 or offset < 0 or packed < 0 or offset + packed > length:
            raise ValueError("a column that lies outside of its block, or has gaps")
    return Block(rows, at, tuple(places[1::2])), length
