"""The table at the end of a run, as plain text lines for a terminal or a log."""

from __future__ import annotations

from textwrap import wrap

from legtest.errors import printable
from legtest.records.reading import Run
from legtest.reports.beside import EQUIVALENT
from legtest.reports.rows import Row, Sheet, sheet

_HEAD = ("quantity", "value", "U", "unit", "limits", "verdict")
_RIGHT = (False, True, True, False, False, False)


def table_lines(run: Run, width: int = 100) -> list[str]:
    """The run's rows under the test they belong to, worst first within a test, no line longer than `width`."""
    found = sheet(run)
    cells = [_cells(row) for case in found.cases for row in case.rows]
    sizes = [max((len(line[n]) for line in [_HEAD, *cells]), default=0) for n in range(len(_HEAD))]
    sizes[0] = max(12, min(sizes[0], width - sum(sizes[1:]) - 2 * len(sizes)))
    lines = [*_title(found, width), "", _line(_HEAD, sizes)]
    for case in found.cases:
        lines.append(f"{case.word:<13} {case.test}")
        lines += [_line(_cells(row), sizes) for row in case.rows]
        lines += _wrapped(case.reason, width) if case.reason else []
        lines += [line for row in case.rows if row.settle for line in _wrapped(f"{row.label}: {row.settle}", width)]
    lines += ["", *_wrapped(f"{found.record_word}: record {run.problem}", width, "")] if run.problem else []
    lines += _others(found, width)
    totals = ", ".join(f"{count} {word}" for word, count in found.counts.items())
    lines += ["", *_wrapped(f"{found.word}: {totals or 'no test'}", width, "")]
    return [_cut(printable(line.replace("\n", " ")).rstrip(), width) for line in lines]


def _others(found: Sheet, width: int) -> list[str]:
    """What moved against the baseline or over runs, below the table by the limits: other judgements, other lines."""
    beside = found.beside
    moved = [change.headline for change in beside.changes if change.outcome != EQUIVALENT]
    blocks = ((f"not equivalent to {', '.join(beside.baselines)}", moved), ("control charts", beside.signals))
    lines: list[str] = []
    for title, texts in blocks:
        if texts:
            lines += ["", *_wrapped(title, width, ""), *(line for text in texts for line in _wrapped(text, width))]
    return lines


def _title(found: Sheet, width: int) -> list[str]:
    header = found.run.header
    seed = "" if header.seed is None else f"  seed {header.seed}"
    faults = f"  faults put in: {', '.join(header.faults)}" if header.faults else ""
    return [
        f"{header.mode}  {', '.join(leg.name for leg in header.legs)}{seed}{faults}",
        *(line for rule in found.rules for line in _wrapped(rule, width, "")),
    ]


def _cells(row: Row) -> tuple[str, ...]:
    limits = row.limits or "-"
    return (f"  {row.label}", row.value, row.expanded, row.unit, limits, row.word)


def _wrapped(text: str, width: int, indent: str = "    ") -> list[str]:
    return wrap(text, max(20, width), initial_indent=indent, subsequent_indent=indent or "    ")


def _line(cells: tuple[str, ...], sizes: list[int]) -> str:
    padded = [
        _cut(cell, size).rjust(size) if right else _cut(cell, size).ljust(size)
        for cell, size, right in zip(cells, sizes, _RIGHT, strict=True)
    ]
    return "  ".join(padded)


def _cut(text: str, size: int) -> str:
    return text if len(text) <= size else text[: max(0, size - 2)] + ".."
