"""Samples from frames: one row per SYNC, one column per axis and signal.

A trace is a function of the recorded frames and the wire maps and of nothing else, so what was evaluated in the
run can be evaluated again from the log, byte for byte.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.canbus.frame import EXTENDED, SENT, Frame
from legtest.canbus.wiremap import Signal, WireMap
from legtest.errors import DecodeError, RecordError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

UNITS = {
    "position": "rad",
    "velocity": "rad/s",
    "torque": "N*m",
    "statusword": "1",
    "temperature": "degC",
    "supply": "V",
    "error": "1",
    "setpoint": "rad",
    "torque_ff": "N*m",
    "torque_cap": "N*m",
}
# Whether a frame comes every cycle is settled by a movement's first second, so that nobody has to wait for its end.
FIRST_NS = 1_000_000_000
EVERY = 0.75  # of the rows
# The set-point frame of cycle k carries the value for the instant of SYNC k + 2.
SETPOINT_LEAD = 2
COMMAND_COLUMNS = {"position": "setpoint", "torque_ff": "torque_ff", "torque_cap": "torque_cap"}


@dataclass(frozen=True, slots=True)
class Trace:
    """Samples at SYNC instants.

    t_ns: (n,) int64, nanoseconds since the link was opened. columns: "<axis>.<signal>" -> (n,) float64, SI, at the
    actuator; NaN where nothing was received. units: unit of each column. Frames first_frame..last_frame (the last
    not included) of the frame log are behind it. sync: (n,) int64, the number of each row's SYNC in the frame log.
    """

    t_ns: IntArray
    columns: Mapping[str, FloatArray]
    units: Mapping[str, str]
    first_frame: int
    last_frame: int
    sync: IntArray = field(default_factory=lambda: np.empty(0, np.int64))

    def __len__(self) -> int:
        return len(self.t_ns)

    @property
    def time_s(self) -> FloatArray:
        """Seconds since the link was opened, (n,)."""
        return self.t_ns / 1e9

    def rows(self, which: slice | NDArray[np.bool_]) -> Trace:
        """Some of the rows; the frames behind them are still said to be those of the whole."""
        columns = {name: column[which] for name, column in self.columns.items()}
        return replace(self, t_ns=self.t_ns[which], columns=columns, sync=self.sync[which])

    @property
    def axes(self) -> tuple[str, ...]:
        """The axes that have columns, in the order of the wire maps."""
        return tuple(dict.fromkeys(name.rpartition(".")[0] for name in self.columns))

    def column(self, name: str) -> FloatArray:
        """The samples of one column ("knee.position"); KeyError with the names there are."""
        try:
            return self.columns[name]
        except KeyError:
            raise KeyError(f"the trace has no column {name!r}; it has {', '.join(self.columns)}") from None


class Log(NamedTuple):
    """A stretch of the frame log as arrays, and where each kind of frame lies in it. sync: numbers in the stretch."""

    first: int
    total: int
    sync: IntArray
    t_ns: IntArray
    octets: NDArray[np.uint8]
    offsets: IntArray
    lengths: IntArray
    by_key: Mapping[tuple[int, int], IntArray]

    def numbers(self, can_id: int, sent: int) -> IntArray:
        """Which frames of the stretch have this identifier and direction, in order."""
        return self.by_key.get((can_id, sent | (EXTENDED if can_id > 0x7FF else 0)), np.empty(0, np.int64))

    def rows(self, numbers: IntArray) -> IntArray:
        """The row each frame belongs to: that of the last SYNC before it, -1 before the first."""
        return np.searchsorted(self.sync, numbers) - 1


def trace_of(frames: Iterable[Frame], wiremaps: Sequence[WireMap], sync_id: int, first_frame: int) -> Trace:
    """The samples of a stretch of the frame log.

    frames: in the order of the log, the first being number `first_frame`. One row per SYNC we sent (identifier
    `sync_id`). Feedback that arrives after a SYNC and before the next was sampled at that SYNC. Signals of frames
    that come every cycle (the frame with the position; any other that in the first second comes in three rows of
    four) are NaN where their frame is missing; slower ones keep their last value, NaN before the first. Set-point
    columns (`setpoint`, `torque_cap`, `torque_ff`) hold in row k what was sent for the instant of row k, that is in
    row k - 2. Raises DecodeError for a payload of a length that its map does not have.
    """
    log = sorted_out(list(frames), sync_id, first_frame)
    return decoded(log, wiremaps, every_cycle(log, wiremaps))


def every_cycle(log: Log, wiremaps: Sequence[WireMap]) -> frozenset[int]:
    """Identifiers of the feedback that comes every cycle, see `trace_of`. log: from the movement's first frame on."""
    rows = int(np.searchsorted(log.t_ns, log.t_ns[0] + FIRST_NS)) if len(log.t_ns) else 0
    ids = {signal.can_id for wiremap in wiremaps for signal in wiremap.feedback}
    often = {can_id for can_id in ids if np.sum(log.rows(log.numbers(can_id, 0)) < rows) >= EVERY * rows}
    return frozenset(often | {wiremap.position_signal().can_id for wiremap in wiremaps})


def decoded(log: Log, wiremaps: Sequence[WireMap], every: frozenset[int]) -> Trace:
    """The samples of a stretch. every: see `every_cycle`. Raises DecodeError."""
    columns: dict[str, FloatArray] = {}
    for wiremap in wiremaps:
        columns.update(_feedback(wiremap, log, every))
        columns.update(_command(wiremap, log))
    for column in columns.values():
        column.flags.writeable = False
    units = {name: UNITS[name.rpartition(".")[2]] for name in columns}
    return Trace(log.t_ns, columns, units, log.first, log.first + log.total, log.first + log.sync)


def slow_columns(wiremaps: Sequence[WireMap], every: frozenset[int]) -> tuple[str, ...]:
    """The columns that keep their last value."""
    return tuple(f"{m.axis}.{s.role}" for m in wiremaps for s in m.feedback if s.can_id not in every)


def sorted_out(frames: list[Frame], sync_id: int, first: int) -> Log:
    """Frames, the first being number `first` of the frame log, by kind."""
    # One pass in C per field and one sort: several times faster than a Python loop over 100 000 frames.
    count = len(frames)
    ids = np.fromiter(map(itemgetter(1), frames), np.int64, count)
    flags = np.fromiter(map(itemgetter(3), frames), np.int64, count)
    payloads = list(map(itemgetter(2), frames))
    lengths = np.fromiter(map(len, payloads), np.int64, count)
    keys = ids << 8 | flags
    order = np.argsort(keys, kind="stable")
    values, starts = np.unique(keys[order], return_index=True)
    groups = np.split(order, starts[1:]) if count else []
    by_key = {(key >> 8, key & 0xFF): numbers for key, numbers in zip(values.tolist(), groups, strict=True)}
    sync = by_key.get((sync_id, SENT), np.empty(0, np.int64))
    t_ns = np.array([frames[n][0] for n in sync.tolist()], np.int64)
    t_ns.flags.writeable = False
    octets = np.frombuffer(b"".join(payloads), np.uint8)
    return Log(first, count, sync, t_ns, octets, np.cumsum(lengths) - lengths, lengths, by_key)


def _feedback(wiremap: WireMap, log: Log, every: frozenset[int]) -> dict[str, FloatArray]:
    columns: dict[str, FloatArray] = {}
    for can_id, signals in _by_id(wiremap.feedback).items():
        numbers = log.numbers(can_id, 0)
        rows = log.rows(numbers)
        place = _placed if can_id in every else _held
        for signal, values in zip(signals, _values(signals, numbers, log), strict=True):
            columns[f"{wiremap.axis}.{signal.role}"] = place(values, rows, len(log.t_ns))
    return columns


def _command(wiremap: WireMap, log: Log) -> dict[str, FloatArray]:
    columns: dict[str, FloatArray] = {}
    for can_id, signals in _by_id(wiremap.command).items():
        numbers = log.numbers(can_id, SENT)
        rows = log.rows(numbers)
        rows = np.where(rows < 0, -1, rows + SETPOINT_LEAD)
        for signal, values in zip(signals, _values(signals, numbers, log), strict=True):
            columns[f"{wiremap.axis}.{COMMAND_COLUMNS[signal.role]}"] = _placed(values, rows, len(log.t_ns))
    return columns


def _by_id(signals: Iterable[Signal]) -> dict[int, list[Signal]]:
    by_id: dict[int, list[Signal]] = {}
    for signal in signals:
        by_id.setdefault(signal.can_id, []).append(signal)
    return by_id


def _placed(values: FloatArray, rows: IntArray, count: int) -> FloatArray:
    column = np.full(count, np.nan)
    inside = (rows >= 0) & (rows < count)
    column[rows[inside]] = values[inside]  # of two frames in one row the later stays
    return column


def _held(values: FloatArray, rows: IntArray, count: int) -> FloatArray:
    last = np.searchsorted(rows, np.arange(count), side="right") - 1
    return np.where(last >= 0, values[last], np.nan) if len(values) else np.full(count, np.nan)


def _values(signals: Sequence[Signal], numbers: IntArray, log: Log) -> list[FloatArray]:
    """Each signal's SI values, (frames,) each."""
    length = (max(s.start_bit + s.bits for s in signals) + 7) // 8
    if length > 8:
        raise RecordError(f"frame 0x{signals[0].can_id:X}: maps of more than 8 bytes are not supported")
    wrong = numbers[log.lengths[numbers] != length]
    if len(wrong):
        raise DecodeError(
            f"frame 0x{signals[0].can_id:X} (number {log.first + wrong[0]} of the log) has "
            f"{log.lengths[wrong[0]]} bytes, its map says {length}"
        )
    payload = np.zeros((len(numbers), 8), np.uint8)
    payload[:, :length] = log.octets[log.offsets[numbers, None] + np.arange(length)]
    words = payload.view("<u8")[:, 0]
    return [_extract(words, s) * s.scale + s.offset for s in signals]


def _extract(words: NDArray[np.uint64], signal: Signal) -> FloatArray:
    left = words << np.uint64(64 - signal.start_bit - signal.bits)
    raw = left.view(np.int64) >> np.int64(64 - signal.bits) if signal.signed else left >> np.uint64(64 - signal.bits)
    return raw.astype(np.float64)
