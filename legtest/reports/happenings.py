"""What happened during a recorded movement: its steps, the events of the journal, the first sample beyond a limit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from legtest.records.reading import Part
from legtest.records.segment import Span
from legtest.records.trace import Trace
from legtest.reports.plot import Plot

_MOST = 400  # of each movement


class Happening(NamedTuple):
    """at_s: seconds since the link was opened. look: "step", "note" or "violation"."""

    at_s: float
    look: str
    text: str


def happenings(part: Part, spans: Sequence[Span], trace: Trace, violation: Happening | None) -> list[Happening]:
    """In the order of time, at most a few hundred. trace: its columns are not looked at."""
    if not len(trace):
        return []
    found = [*_steps(spans, trace), *_journalled(part, trace)]
    return sorted([*found[:_MOST], *([violation] if violation else [])])


def first_violation(plots: Sequence[Plot]) -> Happening | None:
    """The first sample of all plots that lies beyond a limit drawn for its signal."""
    found: list[Happening] = []
    for plot in plots:
        low = max((g.value for g in plot.guides if g.look == "low"), default=-np.inf)
        high = min((g.value for g in plot.guides if g.look == "high"), default=np.inf)
        for series in plot.series:
            with np.errstate(invalid="ignore"):
                beyond = np.flatnonzero((series.values < low) | (series.values > high))
            if series.judged and len(beyond):
                at, value = int(beyond[0]), float(series.values[beyond[0]])
                limit = low if value < low else high
                text = f"first beyond a limit: {plot.title} {value:.4g} {plot.unit}, limit {limit:.4g} {plot.unit}"
                found.append(Happening(float(plot.time_s[at]), "violation", text))
    return min(found, default=None)


def _steps(spans: Sequence[Span], trace: Trace) -> Iterator[Happening]:
    """Where each span begins: the first SYNC that lies in it. Samples of older records do not say."""
    if len(trace.sync) != len(trace):
        return
    for span, row in zip(spans, np.searchsorted(trace.sync, [span.first for span in spans]).tolist(), strict=True):
        if row < len(trace) and trace.sync[row] < span.last:
            yield Happening(float(trace.time_s[row]), "step", span.label or "movement")


def _journalled(part: Part, trace: Trace) -> Iterator[Happening]:
    for event in part.events:
        if not int(trace.t_ns[0]) <= event.t_ns <= int(trace.t_ns[-1]):
            continue
        if event.kind == "note":
            yield Happening(event.t_ns / 1e9, "note", str(event.body.get("text", "")))
        elif event.kind == "bench_error":
            yield Happening(event.t_ns / 1e9, "violation", f"bench error: {event.body.get('message', '')}")
