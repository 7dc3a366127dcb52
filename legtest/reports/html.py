"""A run as one HTML page that needs nothing else: no network, no scripts to be read, no file beside it."""

from __future__ import annotations

import itertools
import re
from base64 import b64encode
from functools import cache
from hashlib import sha256
from math import isfinite, isinf
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from legtest.errors import RecordError, printable
from legtest.metrology.verdict import Word
from legtest.records.reading import Part, Run, SegmentRecord
from legtest.records.run import HEADER
from legtest.reports import facts
from legtest.reports.interval import interval_svg
from legtest.reports.items import ITEMS
from legtest.reports.rows import BENCH_ERROR, ERROR, INTERRUPTED, NOT_JUDGED, Case, Row, Sheet, sheet
from legtest.reports.signals import Samples
from legtest.reports.stage import Scene, stage
from legtest.reports.wording import argument_text, covariate_text, timing_text
from legtest.units import display_unit, in_unit

_TEMPLATES = Path(__file__).parent / "templates"
# A shape beside every word, so that colour is never the only sign.
_MARKS = {
    "pass": "✓", "fail": "✗", "inconclusive": "?", "invalid": "!", "not run": "–", "no limit set": "·",
    "equivalent": "=", "different": "≠", "undecided": "?", "refused": "–", "signal": "!",
}  # fmt: skip
_KNOWN = {*_MARKS, BENCH_ERROR, ERROR, INTERRUPTED, NOT_JUDGED}
_MOST_FAILURES = 12  # named on the first page; all of them stand in the table
_HOMING = "homing"  # the procedure after which angles count from home


def report_html(run: Run) -> bytes:
    """The page's bytes, UTF-8. Everything from the record is shown as text, whatever it holds."""
    found = sheet(run)
    style = _style(run)
    script = (_TEMPLATES / "report.js").read_text(encoding="utf-8")
    pages = [_page(run, case) for case in found.cases]
    temperatures = [
        t for page in pages for seg in page["segments"] for each in seg["stages"] for t in each.temperatures
    ]
    numbers = {case.test: n for n, case in enumerate(found.cases, 1)}
    page = (
        _environment()
        .get_template("report.html")
        .render(
            sheet=found,
            others=found.beside,
            header=run.header,
            mode=run.header.mode,
            legs=", ".join(leg.name for leg in run.header.legs),
            identity=run.folder.name,
            digest=(run.header.sealed or {}).get(HEADER, ""),
            coverage=", ".join(dict.fromkeys(f"{100 * leg.decision.coverage:g} %" for leg in run.header.legs)),
            change_coverage=", ".join(dict.fromkeys(c.coverage for c in found.beside.changes if c.coverage)),
            marks=_MARKS,
            numbers=numbers,
            failed=_failed(found, numbers),
            leg_facts=facts.leg_facts(found),
            bench_facts=facts.bench_facts(found),
            instruments=facts.instrument_lines(found),
            condition_facts=[
                facts.Fact("attended", facts.attendance(found)),
                *facts.condition_facts(found, temperatures),
            ],
            open=[(c, r) for c in found.cases for r in c.rows if r.word in (Word.INCONCLUSIVE, Word.INVALID)],
            missing=[case for case in found.cases if not case.rows],
            moved=[change for change in found.beside.changes if change.outcome != "equivalent"],
            pages=pages,
            unshown=sum(len(seg["problems"]) for page in pages for seg in page["segments"]),
            items=ITEMS,
            style=Markup(style),
            style_hash=_hash(style),
            script=Markup(script),
            script_hash=_hash(script),
        )
    )
    return page.encode("utf-8")


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        finalize=_shown,
    )  # fmt: skip
    made.filters["raw"] = Markup  # only for what is made of base64's letters
    made.filters["look"] = lambda word: word.replace(" ", "-") if word in _KNOWN else "other"
    return made


def _shown(value: Any) -> Any:
    """What a template prints: text without characters that do not print, such as marks that turn the writing."""
    return printable(value) if type(value) is str else value


def _style(run: Run) -> str:
    """The style sheet, with what stands at the edge of every printed page."""
    style = (_TEMPLATES / "report.css").read_text(encoding="utf-8")
    name = re.sub(r"[^A-Za-z0-9._ -]", "?", run.folder.name)[:80]
    return style.replace("__MODE__", run.header.mode).replace("__NAME__", name)


def _hash(text: str) -> str:
    """The source expression that allows exactly this inline text (Content Security Policy Level 2, from memory)."""
    return "sha256-" + b64encode(sha256(text.encode("utf-8")).digest()).decode()


def _failed(found: Sheet, numbers: dict[str, int]) -> list[tuple[int, str]]:
    """The first lines of what failed: number first."""
    failed = [(numbers[case.test], row.headline) for case in found.cases for row in case.rows if row.word == Word.FAIL]
    more = len(failed) - _MOST_FAILURES
    last = [(failed[_MOST_FAILURES][0], f"and {more} more")] if more > 0 else []
    return [*failed[:_MOST_FAILURES], *last]


def _page(run: Run, case: Case) -> dict[str, Any]:
    return {
        "case": case,
        "segments": [_segment(run, part, record, case) for part, record in case.segments],
        "budgets": [_budget(row) for row in case.rows if row.measurement.budget],
    }


def _segment(run: Run, part: Part, record: SegmentRecord, case: Case) -> dict[str, Any]:
    segment = record.segment
    limits = {
        row.measurement.subject: row.limit
        for row in case.rows
        if row.measurement.quantity == "following_error" and row.limit
    }
    judged = segment.joint is None and segment.procedure != _HOMING
    scene = Scene(
        part, run.leg(part.leg), segment.joint, segment.spans, limits if judged else {}, _homed(part, record)
    )  # fmt: skip
    stages, problems = [], []
    for n, name in enumerate(record.samples):
        by_span = len(record.samples) == len(segment.spans) > 1
        label = segment.spans[n].label if by_span else "whole movement"
        try:
            stages.append(stage(label or segment.procedure, Samples(part, name), scene))
        except RecordError as error:
            # The path differs from machine to machine, and a report made again must not.
            problems.append(f"The samples of {label} cannot be shown: {str(error).replace(str(run.folder), '')}")
    return {
        "title": f"{segment.procedure}, {segment.joint}" if segment.joint else segment.procedure,
        "method": record.method,
        "arguments": argument_text(segment.arguments),
        "timing": timing_text(segment.timing),
        "part": part.name,
        "stages": stages,
        "problems": problems,
    }


def _homed(part: Part, record: SegmentRecord) -> bool:
    """Whether a homing was recorded earlier in the same part."""
    before = itertools.takewhile(lambda each: each != record, part.segments)
    return any(each.segment.procedure == _HOMING for each in before)


def _budget(row: Row) -> dict[str, Any]:
    m = row.measurement
    unit = display_unit(m.kind)
    total = sum(line.u**2 for line in m.budget)
    lines = [
        {
            "source": line.source,
            "u": f"{in_unit(line.u, unit):.2g}",
            "share": f"{100 * line.u**2 / total:.0f} %" if total > 0 else "",
            "evaluation": f"type {line.evaluation}{', systematic' if line.systematic else ''}",
            "dof": _dof(line.dof),
        }
        for line in sorted(m.budget, key=lambda line: -line.u)
    ]
    return {
        "label": row.label,
        "unit": row.unit,
        "lines": lines,
        "u": f"{in_unit(m.u, unit):.2g}",
        "k": f"{row.k:.2f}" if isfinite(row.k) else "–",
        "expanded": row.expanded,
        "coverage": row.coverage,
        "dof": _dof(m.dof),
        "reference": m.reference,
        "rule": row.rule,
        "where": row.where,
        "covariates": covariate_text(m.covariates),
        "interval": interval_svg(m.value, row.k * m.u, row.limit, unit, row.headline),
    }


def _dof(dof: float) -> str:
    return "∞" if isinf(dof) else "> 1000" if dof > 1000 else f"{dof:.3g}"
