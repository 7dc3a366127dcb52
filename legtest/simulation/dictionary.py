"""The object dictionary of a simulated drive: typed entries, access rules, CiA 301 abort codes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple


class Abort(Exception):
    """The drive refuses an object access; `code` is the CiA 301 abort code. Ends in the SDO server."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"0x{code:08X}")


# CiA 301 abort codes (from memory; compared with the reference list in the tests).
TOGGLE = 0x05030000
COMMAND_UNKNOWN = 0x05040001
READ_ONLY = 0x06010002
NO_OBJECT = 0x06020000
NOT_MAPPABLE = 0x06040041
PDO_TOO_LONG = 0x06040042
TOO_LONG = 0x06070012
TOO_SHORT = 0x06070013
NO_SUB_INDEX = 0x06090011
RANGE = 0x06090030
TOO_HIGH = 0x06090031
TOO_LOW = 0x06090032
DEVICE_STATE = 0x08000022


class DataType(NamedTuple):
    """A CiA 301 data type. code: its number in EDS files; size: bytes, 0 for text; form: its `struct` letter."""

    code: int
    size: int
    signed: bool
    form: str


I8 = DataType(0x0002, 1, True, "b")
I16 = DataType(0x0003, 2, True, "h")
I32 = DataType(0x0004, 4, True, "i")
U8 = DataType(0x0005, 1, False, "B")
U16 = DataType(0x0006, 2, False, "H")
U32 = DataType(0x0007, 4, False, "I")
TEXT = DataType(0x0009, 0, False, "")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the drive's object list, as its EDS file says it.

    default None: the value is live or belongs to the drive, and a reset leaves it. node_id: the default is this
    number plus the node id.
    """

    index: int
    sub: int
    name: str
    type: DataType
    access: str  # ro, rw, const
    default: int | str | None = None
    mappable: bool = False
    node_id: bool = False


class Entry:
    """One object: its row, its value, and what the drive hangs on it.

    value: its number; text: its text. source: gives the number of a live object instead. check: raises Abort for a
    value the drive refuses. written: called with the instant after a write.
    """

    __slots__ = ("check", "row", "source", "text", "value", "written")

    def __init__(self, row: Row, node: int) -> None:
        self.row = row
        self.value = 0
        self.text = ""
        self.source: Callable[[], int] | None = None
        self.check: Callable[[int], None] | None = None
        self.written: Callable[[int], None] | None = None
        self.reset(node)

    def reset(self, node: int) -> None:
        """Back to the default."""
        default = self.row.default
        if isinstance(default, str):
            self.text = default
        elif default is not None:
            self.value = default + (node if self.row.node_id else 0)

    def read(self) -> int:
        """The present number."""
        return self.source() if self.source else self.value


class Dictionary:
    """All objects of one drive, by (index, sub-index)."""

    def __init__(self, rows: Iterable[Row], node: int) -> None:
        self._node = node
        self.entries = {(row.index, row.sub): Entry(row, node) for row in rows}
        self._indices = {index for index, _ in self.entries}

    def __getitem__(self, key: tuple[int, int]) -> Entry:
        return self.entries[key]

    def number(self, index: int, sub: int = 0) -> int:
        """The present number of an object that the drive has."""
        return self.entries[index, sub].read()

    def set(self, index: int, sub: int, value: int) -> None:
        """Give an object a number from inside the drive: no access check, nothing else happens."""
        self.entries[index, sub].value = value

    def find(self, index: int, sub: int) -> Entry:
        """The entry; raises Abort when there is none."""
        entry = self.entries.get((index, sub))
        if entry is None:
            raise Abort(NO_SUB_INDEX if index in self._indices else NO_OBJECT)
        return entry

    def writable(self, index: int, sub: int) -> Entry:
        """The entry; raises Abort when there is none or a client must not write it."""
        entry = self.find(index, sub)
        if entry.row.access != "rw":
            raise Abort(READ_ONLY)
        return entry

    def read(self, index: int, sub: int) -> bytes:
        """The value as it goes over the wire. Raises Abort."""
        entry = self.find(index, sub)
        if entry.row.type is TEXT:
            return entry.text.encode("ascii")
        return entry.read().to_bytes(entry.row.type.size, "little", signed=entry.row.type.signed)

    def write(self, index: int, sub: int, data: bytes, t_ns: int, sized: bool = True) -> None:
        """Write from the wire. sized False: the client did not say how many bytes count. Raises Abort."""
        entry = self.writable(index, sub)
        kind = entry.row.type
        if not sized:
            data = data[: kind.size]
        if len(data) != kind.size:
            raise Abort(TOO_LONG if len(data) > kind.size else TOO_SHORT)
        value = int.from_bytes(data, "little", signed=kind.signed)
        if entry.check:
            entry.check(value)
        entry.value = value
        if entry.written:
            entry.written(t_ns)

    def reset(self, low: int, high: int) -> None:
        """Back to the defaults, for all objects with low <= index <= high."""
        for (index, _), entry in self.entries.items():
            if low <= index <= high:
                entry.reset(self._node)


def one_of(*allowed: int) -> Callable[[int], None]:
    """A check that lets only these values pass."""

    def check(value: int) -> None:
        if value not in allowed:
            raise Abort(RANGE)

    return check


def between(low: int, high: int) -> Callable[[int], None]:
    """A check that lets only low..high pass."""

    def check(value: int) -> None:
        if value > high:
            raise Abort(TOO_HIGH)
        if value < low:
            raise Abort(TOO_LOW)

    return check
