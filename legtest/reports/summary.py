"""A run as a short Markdown page, for the comment of a pull request."""

from __future__ import annotations

import re

from legtest.errors import printable
from legtest.records.reading import Run
from legtest.reports.beside import EQUIVALENT
from legtest.reports.rows import Case, Row, Sheet, sheet

_MARKS = re.compile(r"([\\`*_{}\[\]<>()#+!|~@&$])")


def summary_md(run: Run) -> bytes:
    """The page's bytes, UTF-8. Names from the record are shown as text, never as markup."""
    found = sheet(run)
    header = run.header
    legs = ", ".join(leg.name for leg in header.legs)
    facts = [f"{header.mode}", f"bench {header.bench.name}", header.started, f"legtest {header.legtest}"]
    facts += [f"seed {header.seed}"] if header.seed is not None else []
    facts += [f"faults put in: {', '.join(header.faults)}"] if header.faults else []
    counts = ", ".join(f"{count} {word}" for word, count in found.counts.items()) or "no test"
    lines = [f"## {_text(legs)}: {_text(found.word)} ({_text(header.mode)})", "", _text(counts), ""]
    lines += [f"**Record {_text(run.problem)}**", ""] if run.problem else []
    lines += [_text(" · ".join(facts)), "", *(f"Decision rule, {_text(rule)}" for rule in found.rules), ""]
    lines += _others(found)
    bad = [case for case in found.cases if case.word != "pass"]
    good = [case for case in found.cases if case.word == "pass"]
    if bad:
        lines += [*_HEAD, *(line for case in bad for line in _lines(case)), ""]
    if good:
        lines += [f"<details><summary>{len(good)} passed</summary>", "", *_HEAD]
        lines += [*(line for case in good for line in _lines(case)), "", "</details>", ""]
    return "\n".join(lines).encode("utf-8")


_HEAD = ["| verdict | quantity | value | U | limits | against baseline | trend | test |",
         "|---|---|--:|--:|---|---|---|---|"]  # fmt: skip


def _others(found: Sheet) -> list[str]:
    """The judgements beside the limits, each on its own line."""
    lines = []
    if found.beside.outcome:
        counts = ", ".join(f"{count} {word}" for word, count in found.beside.counts.items())
        lines += [f"**Against baseline {_text(', '.join(found.beside.baselines))}:** {_text(counts)}", ""]
    for change in found.beside.changes:
        if change.outcome != EQUIVALENT:
            lines.append(f"- {_text(change.headline)}")
    lines += [f"- Control chart, {_text(signal)}" for signal in found.beside.signals]
    return [*lines, ""] if lines else []


def _lines(case: Case) -> list[str]:
    cells = [
        (row.word, row.label, f"{row.value} {row.unit}", f"{row.expanded} {row.unit}", row.limits or "no limit set",
         _change(row), row.trend.word if row.trend else "", case.test)
        for row in case.rows
    ]  # fmt: skip
    if case.reason or not cells:
        cells.append((case.word, case.reason or "nothing was judged", "", "", "", "", "", case.test))
    return ["| " + " | ".join(_text(cell.strip()) for cell in line) + " |" for line in cells]


def _change(row: Row) -> str:
    return f"{row.change.numbers} {row.change.outcome}".strip() if row.change else ""


def _text(text: str) -> str:
    return _MARKS.sub(r"\\\1", printable(text).replace("\n", " "))
