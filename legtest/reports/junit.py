"""A run as JUnit XML, valid by the schema of the Jenkins xUnit plugin (junit-10.xsd).

pass: a plain case; fail: failure of type "fail"; inconclusive: failure of type "inconclusive"; invalid, an error of
the bench or of the test, and a test that judged nothing: error; not run, or without any limit: skipped. A record that
is not sealed, or does not fit its seal, is a case of its own, an error, so that nobody takes the others for all.
Each comparison with a baseline is a case of its own in the class legtest.baseline: pass when equivalent, else a failure
with its outcome as type. Numbers are in the message and in system-out: the schema has no properties inside a case.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree as ET

from junit_xml import TestCase, TestSuite

from legtest.errors import printable
from legtest.metrology.verdict import Word
from legtest.records.reading import Run
from legtest.reports.beside import EQUIVALENT
from legtest.reports.rows import Case, Row, Sheet, sheet

_FAILURES = (Word.FAIL.value, Word.INCONCLUSIVE.value)
_SKIPPED = (Word.NOT_RUN.value, Word.NO_LIMIT.value)


def junit_xml(run: Run) -> bytes:
    """The report file's bytes, UTF-8."""
    found = sheet(run)
    names = _unique(found.cases)
    suite = TestSuite(
        f"legtest {', '.join(leg.name for leg in run.header.legs)}",
        [
            *_record(found),
            *(_case(case, *name) for case, name in zip(found.cases, names, strict=True)),
            *_baseline(found),
        ],
        timestamp=run.header.started,
        properties=_properties(found),
    )
    root = ET.Element("testsuites")
    root.append(suite.build_xml_doc())
    _make_valid(root, sum(case.seconds for case in found.cases))
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _make_valid(root: ET.Element, seconds: float) -> None:
    # junit-xml writes an attribute `disabled` and times of six decimals, which this schema does not have.
    suite = root[0]
    suite.attrib.pop("disabled", None)
    suite.set("time", f"{seconds:.3f}")
    for key in ("tests", "failures", "errors", "time"):
        root.set(key, suite.get(key, "0"))
    for element in root.iter():
        element.text = None if element.text is None else printable(element.text)
        for key, value in element.attrib.items():
            element.set(key, printable(value))


def _record(found: Sheet) -> Iterable[TestCase]:
    if found.run.problem:
        made = TestCase("record", "legtest", 0.0)
        made.add_error_info(found.run.problem, found.run.problem, found.record_word)
        yield made


def _baseline(found: Sheet) -> Iterable[TestCase]:
    seen: dict[str, int] = {}
    for change in found.beside.changes:
        name = f"{change.leg} {change.subject} {change.quantity}"
        seen[name] = seen.get(name, 0) + 1
        shown = name if seen[name] == 1 else f"{name} ({seen[name]})"
        made = TestCase(shown, "legtest.baseline", 0.0, stdout=change.headline)
        if change.outcome != EQUIVALENT:
            made.add_failure_info(change.headline, f"{change.headline}\nbaseline {change.baseline}", change.outcome)
        yield made


def _properties(found: Sheet) -> dict[str, str]:
    header = found.run.header
    properties = {"mode": header.mode, "verdict": found.word, "legtest": header.legtest, "bench": header.bench.name}
    if header.seed is not None:
        properties["seed"] = str(header.seed)
    if header.faults:
        properties["faults"] = ", ".join(header.faults)
    return properties | {f"rule.{leg.name}": leg.decision.name for leg in header.legs}


def _case(case: Case, classname: str, name: str) -> TestCase:
    lines = [row.headline for row in case.rows]
    made = TestCase(name, classname, case.seconds, stdout="\n".join(lines) or None)
    bad = [row for row in case.rows if row.word == case.word]
    text = "\n".join([*_first_lines(bad), *([case.reason] if case.reason else [])]) or case.word
    message = text.splitlines()[0]
    if case.word in _FAILURES:
        made.add_failure_info(message, text, case.word)
    elif case.word in _SKIPPED:
        made.add_skipped_info(message, text)
    elif case.word != Word.PASS:
        made.add_error_info(message, text, case.word)
    return made


def _first_lines(rows: Iterable[Row]) -> Iterable[str]:
    for row in rows:
        yield row.headline
        if row.settle:
            yield f"    {row.settle}"
        if row.where:
            yield f"    limits set in {row.where}"


def _unique(cases: Iterable[Case]) -> list[tuple[str, str]]:
    """Class name and name of each case. Of cases with the same two, some readers keep only the first."""
    seen: dict[tuple[str, str], int] = {}
    names = []
    for case in cases:
        head, _, bracket = case.test.partition("[")
        path, *inner = head.split("::")
        classname = ".".join([path.removesuffix(".py").replace("/", "."), *inner[:-1]]) if inner else "legtest"
        name = (inner[-1] if inner else path) + (f"[{bracket}" if bracket else "")
        count = seen[classname, name] = seen.get((classname, name), 0) + 1
        names.append((classname, name if count == 1 else f"{name} ({count})"))
    return names
