"""What a finished run says, as rows of text: the one source of the console's table and of every report file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isfinite, nan

from legtest.description.model import DecisionRule, Limit
from legtest.metrology.combine import coverage_factor, expanded
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.records.reading import Part, Run, SegmentRecord
from legtest.reports.beside import Beside, Change, Trend, beside, key_of, title_of
from legtest.reports.numbers import bound, fixed, places_of
from legtest.units import display_unit, in_unit

BENCH_ERROR, ERROR, INTERRUPTED, NOT_JUDGED = "bench error", "error", "interrupted", "not judged"
# Worst first. A word that is not here (a newer record's) counts as an error.
ORDER = (
    BENCH_ERROR,
    ERROR,
    INTERRUPTED,
    Word.FAIL.value,
    Word.INVALID.value,
    Word.INCONCLUSIVE.value,
    NOT_JUDGED,
    Word.NOT_RUN.value,
    Word.NO_LIMIT.value,
    Word.PASS.value,
)
_DEFAULT_RULE = DecisionRule("guarded", 0.95)


@dataclass(frozen=True, slots=True)
class Row:
    """One judged quantity as people read it. Numbers are rounded to two digits of U, all in `unit`.

    unit is empty for a ratio; limits and where are empty without limits; headline: one line, number first.
    k: the coverage factor behind `expanded`. change, trend: None where nothing was compared.
    """

    title: str
    subject: str
    value: str
    expanded: str
    coverage: str
    unit: str
    limits: str
    p_conform: str
    word: str
    where: str
    rule: str
    settle: str
    headline: str
    measurement: Measurement
    limit: Limit | None
    k: float
    change: Change | None = None
    trend: Trend | None = None

    @property
    def label(self) -> str:
        return f"{self.subject} {self.title}"


@dataclass(frozen=True, slots=True)
class Case:
    """One test: its word, why, its rows (worst first) and the movements it recorded."""

    test: str
    leg: str
    word: str
    seconds: float
    reason: str
    rows: tuple[Row, ...]
    segments: tuple[tuple[Part, SegmentRecord], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole run: every test in order, and the worst of their words."""

    run: Run
    cases: tuple[Case, ...]
    word: str
    beside: Beside

    @property
    def counts(self) -> dict[str, int]:
        """How many tests ended in each word, worst first, without zeros."""
        words = [case.word for case in self.cases]
        return {word: words.count(word) for word in sorted(set(words), key=_rank)}

    @property
    def record_word(self) -> str:
        """The word of the record itself, "" when it is complete; beside it the tests' own words claim too much."""
        return "".join(_word_of(self.run))

    @property
    def rules(self) -> tuple[str, ...]:
        """The decision rule of each leg, in words."""
        return tuple(f"{leg.name}: {rule_words(leg.decision)}" for leg in self.run.header.legs)


def sheet(run: Run) -> Sheet:
    """The rows of a run. Tests come in the order they ended, those that never ended last."""
    by_test: dict[str, list[tuple[Part, Row]]] = {}
    segments: dict[str, list[tuple[Part, SegmentRecord]]] = {}
    errors: dict[str, list[str]] = {}
    legs: dict[str, str] = {}
    for part in run.parts:
        legs.setdefault(part.test, part.leg)
        leg = run.leg(part.leg)
        rule = leg.decision if leg else _DEFAULT_RULE
        for test, verdict in part.judgements:
            by_test.setdefault(test, []).append((part, row(verdict, rule)))
        for record in part.segments:
            segments.setdefault(record.test, []).append((part, record))
        for body in part.bodies("bench_error"):
            errors.setdefault(str(body.get("test", "")), []).append(str(body.get("message", "")))
    endings = {end.test: end for end in run.tests}
    chosen = [str(test) for body in run.bodies("selected") for test in body.get("tests", ())]
    others = _beside(run, by_test)
    cases = []
    for test in dict.fromkeys([*endings, *by_test, *segments, *errors, *(t for t in legs if t), *chosen]):
        end = endings.get(test)
        leg_name = end.leg if end else legs.get(test, "")
        judged = _with_others((each for _, each in by_test.get(test, [])), others, leg_name, test)
        rows = tuple(sorted(judged, key=lambda each: _rank(each.word)))
        said = dict.fromkeys([*errors.get(test, []), *([end.reason] if end and end.reason else [])])
        if end is None and test not in legs and test not in errors:
            said = {"never begun": None}
        word = _word(end.word if end else INTERRUPTED, rows, bool(errors.get(test)))
        seconds = end.seconds if end else 0.0
        cases.append(Case(test, leg_name, word, seconds, "; ".join(said), rows, tuple(segments.get(test, ()))))
    words = [case.word for case in cases] or [NOT_JUDGED]
    return Sheet(run, tuple(cases), _worst([*words, *_word_of(run)]), others)


def _beside(run: Run, by_test: Mapping[str, list[tuple[Part, Row]]]) -> Beside:
    measured = [each.measurement for rows in by_test.values() for _, each in rows]
    return beside(run, {(m.subject, m.quantity): m.kind for m in measured})


def _with_others(rows: Iterable[Row], others: Beside, leg: str, test: str) -> list[Row]:
    """The rows of one test, each with its change and its trend."""
    found: list[Row] = []
    for each in rows:
        m = each.measurement
        key = key_of(leg, test, m.subject, m.quantity)
        n = sum((r.measurement.subject, r.measurement.quantity) == (m.subject, m.quantity) for r in found)
        found.append(replace(each, change=others.change(key, n), trend=others.trend(key, n, m.kind)))
    return found


def row(verdict: Verdict, rule: DecisionRule) -> Row:
    """One verdict as text, its expanded uncertainty by the rule's coverage."""
    m, limit = verdict.measurement, verdict.limit
    unit = display_unit(m.kind)
    u = in_unit(expanded(m, rule.coverage), unit) if isfinite(m.u) else m.u
    places = places_of(u)
    value, u_text = fixed(in_unit(m.value, unit), places), fixed(u, places)
    shown = "" if unit == "1" else unit
    title = title_of(m.quantity)
    limits = _limits(limit, unit, places)
    with_unit = f" {shown}" if shown else ""
    bounds = f", {limits_phrase(limit, unit, places)}{with_unit}" if limits else ""
    return Row(
        title, m.subject, value, u_text, f"{100 * rule.coverage:g} %", shown, limits, _share(verdict.p_conform),
        verdict.word.value, limit.where if limit else "", verdict.rule, verdict.settle,
        f"{m.subject} {title} {value}{with_unit}, U {u_text}{with_unit}{bounds}: {verdict.word.value}", m,
        limit, coverage_factor(m.dof, rule.coverage) if isfinite(m.u) else nan,
    )  # fmt: skip


def limits_phrase(limit: Limit | None, unit: str, places: int) -> str:
    """The limits inside a sentence: "limit 0.50", "limit at least 0.90", "limits -1.00 to 1.00"; no unit."""
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    if limit.low is None:
        return f"limit {_bound(limit.high, unit, places)}"
    if limit.high is None:
        return f"limit at least {_bound(limit.low, unit, places)}"
    return f"limits {_bound(limit.low, unit, places)} to {_bound(limit.high, unit, places)}"


def rule_words(rule: DecisionRule) -> str:
    """A decision rule for people."""
    if rule.name == "simple":
        return "simple acceptance: the value alone decides, whatever its uncertainty"
    return (
        f"guarded, {100 * rule.coverage:g} % coverage: pass when value ± U lies inside the limits, fail when it lies "
        "outside, inconclusive between"
    )


def _word_of(run: Run) -> list[str]:
    return [] if run.complete else [INTERRUPTED if run.header.sealed is None else ERROR]


def _word(ended: str, rows: Iterable[Row], bench_error: bool) -> str:
    judged = [each.word for each in rows]
    # A quantity without limits is shown and weighs nothing beside one that was judged.
    weighed = [word for word in judged if word != Word.NO_LIMIT] or judged
    return _worst([ended if ended in ORDER else ERROR, *weighed, *([BENCH_ERROR] if bench_error else [])])


def _worst(words: Iterable[str]) -> str:
    return min(words, key=_rank)


def _rank(word: str) -> int:
    return ORDER.index(word) if word in ORDER else ORDER.index(ERROR)


def _bound(si: float | None, unit: str, places: int) -> str:
    return bound(in_unit(si or 0.0, unit), places)


def _limits(limit: Limit | None, unit: str, places: int) -> str:
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    if limit.low is None:
        return f"<= {_bound(limit.high, unit, places)}"
    if limit.high is None:
        return f">= {_bound(limit.low, unit, places)}"
    return f"{_bound(limit.low, unit, places)} to {_bound(limit.high, unit, places)}"


def _share(p: float | None) -> str:
    if p is None or not isfinite(p):
        return ""
    if p > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"
