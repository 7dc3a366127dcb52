"""A run as one HTML page that needs nothing else: no network, no scripts to be read, no file beside it."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from hashlib import sha256
from math import isinf
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from legtest.errors import RecordError, printable
from legtest.metrology.verdict import Word
from legtest.records.reading import Part, Run, SegmentRecord
from legtest.reports.rows import Case, Row, sheet
from legtest.reports.stage import stage
from legtest.reports.wording import argument_text, covariate_text, timing_text
from legtest.units import display_unit, in_unit

_TEMPLATES = Path(__file__).parent / "templates"
# A shape beside every word, so that colour is never the only sign.
_MARKS = {"pass": "✓", "fail": "✗", "inconclusive": "?", "invalid": "!", "not run": "–", "no limit set": "·"}


def report_html(run: Run) -> bytes:
    """The page's bytes, UTF-8. Everything from the record is shown as text, whatever it holds."""
    found = sheet(run)
    style = (_TEMPLATES / "report.css").read_text(encoding="utf-8")
    script = (_TEMPLATES / "report.js").read_text(encoding="utf-8")
    page = _environment().get_template("report.html").render(
        sheet=found,
        header=run.header,
        mode=run.header.mode,
        legs=", ".join(leg.name for leg in run.header.legs),
        marks=_MARKS,
        numbers={case.test: n for n, case in enumerate(found.cases, 1)},
        open=[(c, r) for c in found.cases for r in c.rows if r.word in (Word.INCONCLUSIVE, Word.INVALID)],
        missing=[case for case in found.cases if not case.rows],
        pages=[_page(run, case) for case in found.cases],
        style=Markup(style),
        style_hash=_hash(style),
        script=Markup(script),
        script_hash=_hash(script),
    )
    return page.encode("utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        finalize=_shown,
    )  # fmt: skip


def _shown(value: Any) -> Any:
    """What a template prints: text without characters that do not print, such as marks that turn the writing."""
    return printable(value) if type(value) is str else value


def _hash(text: str) -> str:
    """The source expression that allows exactly this inline text (Content Security Policy Level 2, from memory)."""
    return "sha256-" + b64encode(sha256(text.encode("utf-8")).digest()).decode()


def _page(run: Run, case: Case) -> dict[str, Any]:
    return {
        "case": case,
        "segments": [_segment(run, part, record) for part, record in case.segments],
        "budgets": [_budget(row) for row in case.rows if row.measurement.budget],
    }


def _segment(run: Run, part: Part, record: SegmentRecord) -> dict[str, Any]:
    segment = record.segment
    stages, problems = [], []
    for n, name in enumerate(record.samples):
        by_span = len(record.samples) == len(segment.spans) > 1
        label = segment.spans[n].label if by_span else "whole movement"
        try:
            stages.append(stage(label or segment.procedure, part.samples(name), run.leg(part.leg), segment.joint))
        except RecordError as error:
            # The path differs from machine to machine, and a report made again must not.
            problems.append(f"The samples of {label} cannot be shown: {str(error).replace(str(run.folder), '')}")
    return {
        "procedure": segment.procedure,
        "joint": segment.joint,
        "method": record.method,
        "arguments": argument_text(segment.arguments),
        "timing": timing_text(segment.timing),
        "part": part.name,
        "stages": stages,
        "problems": problems,
    }


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
        "dof": _dof(m.dof),
        "reference": m.reference,
        "rule": row.rule,
        "where": row.where,
        "covariates": covariate_text(m.covariates),
    }


def _dof(dof: float) -> str:
    return "∞" if isinf(dof) else f"{dof:.3g}"
