"""Trends as characters, for a terminal or a log."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from legtest.history.trend import Series, Trends
from legtest.units import display_unit, in_unit, show

HEIGHT = 7
_BLOCKS, _PLAIN = "▁▂▃▄▅▆▇█", "_.,-~=^*"


def table(trends: Trends, *, blocks: bool = True, width: int = 30) -> list[str]:
    """One line for each quantity: newest value, where it was expected, its run of values, and the chart's signal."""
    head = ("quantity", "runs", "newest", "U (k=2)", "expected", "development", "trend")
    lines = [head]
    for s in trends.series:
        c = s.charted
        expected = f"{show(c.low, s.kind)} to {show(c.high, s.kind)}" if isfinite(c.low) else "too few runs"
        lines.append((
            s.label, str(len(s.values)), show(s.values[-1], s.kind), show(2 * s.u[-1], s.kind, 2), expected,
            spark(s.values[-width:], blocks=blocks), s.signal or "-",
        ))  # fmt: skip
    sizes = [max(len(line[n]) for line in lines) for n in range(len(head))]
    return ["  ".join(cell.ljust(size) for cell, size in zip(line, sizes, strict=True)).rstrip() for line in lines]


def spark(values: Sequence[float], *, blocks: bool = True) -> str:
    """The values as one line of eight levels, lowest to highest."""
    levels = _BLOCKS if blocks else _PLAIN
    low, high = min(values), max(values)
    if high <= low:
        return levels[3] * len(values)
    return "".join(levels[min(7, int(8 * (x - low) / (high - low)))] for x in values)


def plot(series: Series, width: int = 72) -> list[str]:
    """A plot of one quantity: o value, x beyond the chart's limit, - where the newest was expected, | a change.

    Below it what the changes were.
    """
    unit = display_unit(series.kind)
    shown = "" if unit == "1" else f", {unit}"
    begin = max(0, len(series.values) - width)
    values = [in_unit(x, unit) for x in series.values[begin:]]
    band = [in_unit(x, unit) for x in (series.charted.low, series.charted.high) if isfinite(x)]
    low, high = min([*values, *band]), max([*values, *band])
    step = (high - low) / (HEIGHT - 1) or 1.0
    rows = [[" "] * len(values) for _ in range(HEIGHT)]
    for edge in band:
        rows[_row(edge, low, step)] = ["-"] * len(values)
    when = series.when[begin:]
    changes = [mark for mark in series.marks if mark.when >= when[0]]
    for n, mark in enumerate(changes):
        column = next((i for i, instant in enumerate(when) if instant >= mark.when), len(when) - 1)
        for row in rows:
            row[column] = "|"
        rows[-1][column] = str((n + 1) % 10)
    for i, x in enumerate(values):
        k = begin + i - series.begin
        rows[_row(x, low, step)][i] = "x" if k >= 0 and series.charted.out[k] else "o"
    labels = {0: f"{high:.4g}", HEIGHT - 1: f"{low:.4g}"}
    size = max(map(len, labels.values()))
    lines = [f"{series.label}{shown}{f': {series.signal}' if series.signal else ''}"]
    lines += [f"{labels.get(n, ''):>{size}} {''.join(row)}".rstrip() for n, row in enumerate(rows)]
    lines.append(f"{'':>{size}} {when[0][:10]}{when[-1][:10]:>{max(11, len(values) - 10)}}")
    return lines + [f"  {(n + 1) % 10}: {mark.when[:10]} {mark.what}" for n, mark in enumerate(changes)]


def _row(x: float, low: float, step: float) -> int:
    return HEIGHT - 1 - min(HEIGHT - 1, max(0, round((x - low) / step)))
