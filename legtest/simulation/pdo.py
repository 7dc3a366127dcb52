"""Process data objects of a simulated drive: dynamic mapping with its checks, and fast packing (CiA 301).

A mapping may be changed only while the PDO does not exist (bit 31 of its COB-ID set) and its number of mapped
objects is 0; the plan that packs or unpacks it is made once, when the PDO comes into being.
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct

from legtest.simulation.dictionary import DEVICE_STATE, NOT_MAPPABLE, PDO_TOO_LONG, RANGE, Abort, Dictionary, Entry
from legtest.simulation.objects import MAPPING_LENGTH

_INVALID, _NO_RTR, _EXTENDED = 1 << 31, 1 << 30, 1 << 29
ASYNCHRONOUS = 254  # this transmission type and the next (254, 255) act on their own event


class Pdo:
    """One PDO's parameters in the dictionary, and the plan made from them.

    changed: called with the instant when the PDO appeared, went or changed its type.
    """

    writes = False  # does the PDO write to the objects it maps

    def __init__(
        self, dictionary: Dictionary, communication: int, mapping: int, changed: Callable[[int], None]
    ) -> None:
        self._dictionary, self._mapping = dictionary, mapping
        self._cob, self._type, self._timer = (dictionary[communication, sub] for sub in (1, 2, 5))
        self._count = dictionary[mapping, 0]
        self._cob.check, self._cob.written = self._check_cob, changed
        self._type.check, self._type.written = self._check_type, changed
        self._timer.written = changed
        self._count.check = self._check_count
        for sub in range(1, MAPPING_LENGTH + 1):
            dictionary[mapping, sub].check = self._check_mapped
        self.build()

    def build(self) -> None:
        """Take over the parameters from the dictionary."""
        cob = self._cob.read()
        self.exists = not cob & _INVALID and self._count.read() > 0
        self.cob_id = cob & 0x7FF
        self.type = self._type.read()
        self.event_ns = self._timer.read() * 1_000_000
        self.entries = tuple(self._mapped_entry(n) for n in range(1, self._count.read() + 1)) if self.exists else ()
        self._struct = Struct("<" + "".join(entry.row.type.form for entry in self.entries))
        self.length = self._struct.size

    def _mapped_entry(self, n: int) -> Entry:
        mapped = self._dictionary.number(self._mapping, n)
        return self._dictionary[mapped >> 16, mapped >> 8 & 0xFF]

    def _check_cob(self, value: int) -> None:
        old = self._cob.read()
        unchanged = value & 0x7FF == old & 0x7FF
        if value & _EXTENDED or (not old & _INVALID and not value & _INVALID and not unchanged):
            raise Abort(RANGE)
        if not value & _INVALID and not 0x180 < value & 0x7FF < 0x580:  # elsewhere CiA 301 has other services
            raise Abort(RANGE)

    def _check_type(self, value: int) -> None:
        if 240 < value < ASYNCHRONOUS:
            raise Abort(RANGE)

    def _check_exists_not(self) -> None:
        if not self._cob.read() & _INVALID:
            raise Abort(DEVICE_STATE)

    def _check_mapped(self, value: int) -> None:
        self._check_exists_not()
        if self._count.read():
            raise Abort(DEVICE_STATE)
        if value:
            self._check_object(value)

    def _check_object(self, value: int) -> None:
        entry = self._dictionary.find(value >> 16, value >> 8 & 0xFF)
        row = entry.row
        if not row.mappable or value & 0xFF != row.type.size * 8 or (self.writes and row.access != "rw"):
            raise Abort(NOT_MAPPABLE)

    def _check_count(self, value: int) -> None:
        self._check_exists_not()
        if value > MAPPING_LENGTH:
            raise Abort(PDO_TOO_LONG)
        bits = 0
        for n in range(1, value + 1):
            mapped = self._dictionary.number(self._mapping, n)
            self._check_object(mapped)
            bits += mapped & 0xFF
        if bits > 64:
            raise Abort(PDO_TOO_LONG)


class TransmitPdo(Pdo):
    """A PDO the drive sends. `left`: SYNCs up to its turn, this one included; the drive counts those before it."""

    def build(self) -> None:
        super().build()
        self._values = tuple(entry.source or entry.read for entry in self.entries)
        self.left = self.type
        self._last = b""

    def pack(self) -> bytes:
        """The payload now."""
        return self._struct.pack(*[value() for value in self._values])

    def due(self) -> bytes | None:
        """At the SYNC that is this PDO's turn: the payload; with type 0 only if it has changed."""
        self.left = self.type
        return self.pack() if self.type else self.changed()

    def changed(self) -> bytes | None:
        """The payload if it differs from the last one this gave."""
        data = self.pack()
        if data == self._last:
            return None
        self._last = data
        return data


class ReceivePdo(Pdo):
    """A PDO the drive obeys. `waiting` holds a synchronous one until the next SYNC."""

    writes = True

    def build(self) -> None:
        super().build()
        self.waiting: bytes | None = None
        self._plan = tuple((entry, entry.check, entry.written) for entry in self.entries)

    def apply(self, data: bytes, t_ns: int) -> None:
        """Write the mapped objects; a value its object refuses is left out. data: at least `length` bytes."""
        values = self._struct.unpack_from(data)
        for n, (entry, check, written) in enumerate(self._plan):
            if check:
                try:
                    check(values[n])
                except Abort:
                    continue
            entry.value = values[n]
            if written:
                written(t_ns)
