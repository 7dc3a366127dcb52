"""One recorded movement of a procedure: what `evaluate` gets, in the run and from the record alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple


class Span(NamedTuple):
    """A labelled stretch of the frame log: frames first..last, last not included."""

    label: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Timing:
    """How well the host kept time in a segment; part of every time-based uncertainty.

    lateness: how long after its deadline a cycle began; missed: cycle slots left out; lost: expected telemetry
    frames that never came, of `expected`.
    """

    cycles: int
    period_ns: int
    lateness_p50_ns: int
    lateness_p99_ns: int
    lateness_max_ns: int
    missed: int
    lost: int
    expected: int


@dataclass(frozen=True, slots=True)
class Segment:
    """What the journal says of one movement. arguments: plain JSON values, SI, names with unit suffix."""

    procedure: str
    joint: str | None
    arguments: Mapping[str, Any]
    spans: tuple[Span, ...]
    timing: Timing


class Rows(NamedTuple):
    """Where in a part's samples one movement lies, and which frames are behind it (the last not included).

    name: what `Part.samples` is asked for, the number of the movement in the part with four digits or more.
    """

    name: str
    first_row: int
    rows: int
    first_frame: int
    last_frame: int
