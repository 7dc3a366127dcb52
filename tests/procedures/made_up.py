"""Movements made up from samples or frames with a known answer: what `evaluate` gets, without any leg."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from simulated import LEGS

from legtest import wiring
from legtest.canbus.frame import Frame
from legtest.description import default_bench, read_leg
from legtest.records.recorded import Recorded
from legtest.records.segment import Segment, Span, Timing
from legtest.records.trace import UNITS, Trace

PERIOD_NS = 4_000_000
LEG = read_leg(LEGS / "tarn-fl.yaml")
WIREMAPS = wiring.setup_of(LEG, default_bench()).axes
Columns = Mapping[str, Any]


def moved(
    spans: Sequence[tuple[str, Columns]],
    arguments: Mapping[str, Any] | None = None,
    joint: str | None = None,
    frames: Mapping[str, Sequence[Frame]] | None = None,
) -> Recorded:
    """Spans in their order, each with columns of equal length ("hip.torque"); what a span has not is NaN.

    frames: those of a label, for an evaluation that looks at frames; such a label needs no samples.
    """
    names = sorted({name for _, columns in spans for name in columns})
    lengths = [max((len(np.atleast_1d(c)) for c in columns.values()), default=1) for _, columns in spans]
    first = np.concatenate([[0], np.cumsum(lengths)])
    whole = {
        name: np.concatenate([
            np.asarray(columns.get(name, np.full(n, np.nan)), float)
            for (_, columns), n in zip(spans, lengths, strict=True)
        ])
        for name in names
    }  # fmt: skip
    rows = np.arange(first[-1])
    units = {name: UNITS[name.rpartition(".")[2]] for name in names}
    trace = Trace(rows * PERIOD_NS, whole, units, 0, len(rows), rows)
    placed = tuple(
        Span(label, int(low), int(high)) for (label, _), low, high in zip(spans, first, first[1:], strict=False)
    )
    at = {(span.first, span.last): (frames or {}).get(span.label, ()) for span in placed}
    timing = Timing(len(rows), PERIOD_NS, 0, 0, 0, 0, 0, len(rows))
    segment = Segment("made up", joint, dict(arguments or {}), placed, timing)
    return Recorded.of(segment, LEG, WIREMAPS, trace, lambda low, high: at[low, high])
