"""Reports of a made-up run: the right words in the right places, whatever the record holds, and always the same."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from math import nan, radians
from pathlib import Path
from typing import Any

import junitparser
import pytest
import xmlschema

from legtest.description.model import DecisionRule, Limit
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.records.reading import Run, read_run
from legtest.records.run import RunWriter
from legtest.reports.console import table_lines
from legtest.reports.html import report_html
from legtest.reports.junit import junit_xml
from legtest.reports.rows import row, sheet
from legtest.reports.summary import summary_md
from legtest.reports.write import write_reports
from tests.records.make_run import STARTED, Filling, make_bench, make_leg, make_run, value

SCHEMA = Path(__file__).parents[1] / "references" / "junit" / "junit-10.xsd"
HOSTILE = "<script>alert('x')</script>\"'&]]>\u202e\x00\x1b[31m\ud800`|*_" + "x" * 10_000


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(make_run(tmp_path_factory.mktemp("runs"), cycles=120))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Run:
    leg = replace(make_leg(), name=HOSTILE)
    writer = RunWriter.create(
        tmp_path_factory.mktemp("runs"), now=STARTED, mode="LIVE", legs=[leg], faults=[HOSTILE],
        bench=replace(make_bench(), name=HOSTILE), command=[HOSTILE],
    )  # fmt: skip
    filling = Filling(writer.part(HOSTILE), leg, HOSTILE)
    filling.move(HOSTILE, HOSTILE, 20, method=HOSTILE, **{HOSTILE: HOSTILE})
    filling.judge(value(HOSTILE, HOSTILE, 0.1, (HOSTILE, 0.01), kind="angle"))
    filling.part.bench_error(0, HOSTILE, test=HOSTILE)
    filling.part.end(0)
    writer.test_end(HOSTILE, HOSTILE, leg=HOSTILE, seconds=1.0, reason=HOSTILE)
    writer.seal()
    return read_run(writer.folder)


class Page(HTMLParser):
    """What a browser would see: text outside scripts and styles, and every tag."""

    def __init__(self, html: bytes) -> None:
        super().__init__()
        self.text, self.tags, self._silent = "", [], 0
        self.feed(html.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._silent += tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        self.text += "" if self._silent else data


# --- rows -----------------------------------------------------------------------------------------------------------


def test_words_of_tests_and_of_the_run(run: Run) -> None:
    found = sheet(run)
    assert [case.word for case in found.cases] == [
        "pass", "fail", "inconclusive", "invalid", "pass", "bench error", "not run"
    ]  # fmt: skip
    assert found.word == "bench error"
    assert [r.word for r in found.cases[1].rows] == ["fail", "pass"]
    assert found.counts == {
        "bench error": 1, "fail": 1, "invalid": 1, "inconclusive": 1, "not run": 1, "pass": 2
    }  # fmt: skip


def verdict(x: float, u: float, limit: Limit | None, kind: str = "angle", word: Word = Word.FAIL) -> Verdict:
    return Verdict(Measurement("backlash", "knee", x, kind, u, float("inf"), (), "internal"), limit, "rule", word, 0.5)


@pytest.mark.parametrize(("given", "headline"), [
    # U = 1.96 u for a normal distribution at 95 % (JCGM 100 table G.2, last row)
    (verdict(radians(0.62), radians(0.05) / 1.96, Limit(None, radians(0.5), "angle", "f:1")),
     "knee backlash 0.620 deg, U 0.050 deg, limit 0.500 deg: fail"),
    (verdict(radians(0.62), radians(1.0) / 1.96, Limit(None, radians(0.25), "angle", "f:1")),
     "knee backlash 0.6 deg, U 1.0 deg, limit 0.25 deg: fail"),
    (verdict(1.234, 0.1 / 1.96, Limit(0.9, 1.1, "ratio", "f:1"), "ratio"),
     "knee backlash 1.23, U 0.10, limits 0.90 to 1.10: fail"),
    (verdict(0.5, 0.1 / 1.96, Limit(0.9, None, "torque", "f:1"), "torque"),
     "knee backlash 0.50 N*m, U 0.10 N*m, limit at least 0.90 N*m: fail"),
    (verdict(-0.00001, 0.1 / 1.96, None, "torque", Word.NO_LIMIT),
     "knee backlash 0.00 N*m, U 0.10 N*m: no limit set"),
    (verdict(nan, nan, None, "torque", Word.INVALID), "knee backlash nan N*m, U nan N*m: invalid"),
])  # fmt: skip
def test_the_headline_begins_with_the_number(given: Verdict, headline: str) -> None:
    assert row(given, DecisionRule("guarded", 0.95)).headline == headline


@pytest.mark.parametrize(("ended", "words", "word"), [
    ("pass", [], "pass"), ("pass", [Word.NO_LIMIT], "no limit set"), ("pass", [Word.NO_LIMIT, Word.PASS], "pass"),
    ("pass", [Word.FAIL, Word.PASS], "fail"), ("not judged", [], "not judged"), ("error", [Word.PASS], "error"),
    ("a newer word", [Word.PASS], "error"), ("inconclusive", [Word.INVALID, Word.INCONCLUSIVE], "invalid"),
])  # fmt: skip
def test_the_word_of_a_test_is_its_worst(tmp_path: Path, ended: str, words: list[Word], word: str) -> None:
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    part = writer.part("t")
    part.begin(leg="tarn-fl", test="t", seed=1, wiremaps=[], sync_id=128)
    for each in words:
        part.verdict(0, verdict(0.1, 0.1, None, word=each), test="t")
    part.end(0)
    writer.test_end("t", ended, leg="tarn-fl", seconds=0.1)
    writer.seal()
    assert sheet(read_run(writer.folder)).cases[0].word == word


def test_an_interrupted_run_never_passes(tmp_path: Path) -> None:
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    part = writer.part("t")
    part.begin(leg="tarn-fl", test="t", seed=1, wiremaps=[], sync_id=128)
    part.verdict(0, verdict(0.1, 0.1, None, word=Word.PASS), test="t")
    found = sheet(read_run(writer.folder))
    assert (found.word, found.cases[0].word) == ("interrupted", "interrupted")
    assert "tests that were not begun are not in the record" in Page(report_html(found.run)).text
    writer.close()
    part.end(0)


# --- all files ------------------------------------------------------------------------------------------------------


def test_made_again_elsewhere_they_are_byte_identical(run: Run, tmp_path: Path) -> None:
    first = {name: path.read_bytes() for name, path in write_reports(run).items()}
    moved = read_run(Path(shutil.copytree(run.folder, tmp_path / run.folder.name)))
    assert {name: path.read_bytes() for name, path in write_reports(moved).items()} == first
    assert set(first) == {"junit.xml", "summary.md", "report.html"}


# --- console --------------------------------------------------------------------------------------------------------


TOTALS = "bench error: 1 bench error, 1 fail, 1 invalid, 1 inconclusive, 1 not run, 2 pass"


@pytest.mark.parametrize("width", [60, 100, 200])
def test_console_table(run: Run, width: int) -> None:
    lines = table_lines(run, width)
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("SIMULATED  tarn-fl  seed 1")
    totals = lines.index("", lines.index("") + 1) + 1  # the second empty line stands before them
    assert " ".join(map(str.strip, lines[totals:])) == TOTALS
    at = next(n for n, line in enumerate(lines) if line.startswith("fail") and "backlash" in line)
    assert re.search(r"knee bac.* 0\.620 +0\.049 +deg +<= 0\.500 +fail$", lines[at + 1])
    assert re.search(r"knee hom.* 0\.250 .* pass$", lines[at + 2])


def test_console_writes_no_control_characters(hostile: Run) -> None:
    for line in table_lines(hostile, 100):
        assert line.isprintable()


# --- JUnit ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["run", "hostile"])
def test_junit_is_valid_by_the_schema(which: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    # junit-10.xsd: jenkinsci/xunit-plugin, see tests/references/junit/README.yaml
    path = tmp_path / "junit.xml"
    path.write_bytes(junit_xml(request.getfixturevalue(which)))
    xmlschema.XMLSchema(SCHEMA).validate(path)


def test_the_schema_check_can_fail(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "junit.xml"
    path.write_bytes(junit_xml(run).replace(b"<system-out>", b"<properties/><system-out>", 1))
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        xmlschema.XMLSchema(SCHEMA).validate(path)


def cases(run: Run) -> dict[str, Any]:
    suites = junitparser.JUnitXml.fromstring(junit_xml(run))
    return {case.name: case for suite in suites for case in suite}


def test_junit_by_an_independent_reader(run: Run) -> None:
    suites = junitparser.JUnitXml.fromstring(junit_xml(run))
    assert (suites.tests, suites.failures, suites.errors) == (7, 2, 2)
    (suite,) = suites
    assert suite.skipped == 1
    assert {p.name: p.value for p in suite.properties()}["mode"] == "SIMULATED"
    found = cases(run)
    assert found["test_homing[tarn-fl-knee]"].is_passed
    assert found["test_homing[tarn-fl-knee]"].system_out.startswith("knee homing repeatability 0.210 deg, U 0.068 deg")
    (failure,) = found["test_backlash[tarn-fl-knee]"].result
    assert isinstance(failure, junitparser.Failure)
    assert failure.type == "fail"
    assert failure.text.startswith("knee backlash 0.620 deg, U 0.049 deg, limit 0.500 deg: fail\n")
    (open_one,) = found["test_holding[tarn-fl-hip]"].result
    assert isinstance(open_one, junitparser.Failure)
    assert open_one.type == "inconclusive"
    for name, kind in (("test_friction[tarn-fl-abduction]", "invalid"), ("test_again[tarn-fl]", "bench error")):
        (error,) = found[name].result
        assert isinstance(error, junitparser.Error)
        assert error.type == kind
    assert found["test_drop[tarn-fl]"].is_skipped
    assert found["test_drop[tarn-fl]"].classname == "stand"


def test_junit_keeps_tests_of_one_name_apart(tmp_path: Path) -> None:
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    for test in ("a/b.py::T::test_x[l]", "a.b.py::T::test_x[l]"):
        writer.test_end(test, "pass", leg="tarn-fl", seconds=0.0)
    writer.seal()
    suites = junitparser.JUnitXml.fromstring(junit_xml(read_run(writer.folder)))
    names = [(case.classname, case.name) for suite in suites for case in suite]
    assert names == [("a.b.T", "test_x[l]"), ("a.b.T", "test_x[l] (2)")]


# --- Markdown -------------------------------------------------------------------------------------------------------


def test_summary_shows_what_is_wrong_first(run: Run) -> None:
    text = summary_md(run).decode()
    assert text.startswith("## tarn-fl: bench error (SIMULATED)\n")
    assert text.index("knee backlash") < text.index("2 passed") < text.index("path accuracy")
    assert "decision rule" in text.lower()


def test_summary_has_no_markup_from_the_record(hostile: Run) -> None:
    text = summary_md(hostile).decode()
    assert not re.search(r"(?<!\\)<(?!details>|/details>|summary>|/summary>)", text)
    for line in text.splitlines():
        if line.startswith("| ") and "---" not in line:
            assert len(re.findall(r"(?<!\\)\|", line)) == 9


# --- HTML -----------------------------------------------------------------------------------------------------------


def test_html_says_what_was_found(run: Run) -> None:
    page = Page(report_html(run))
    for text in ("✗ fail", "0.620", "≤ 0.500", "node 3, serial 4103", "streams bench", "guarded, 95 % coverage",
                 "brake clamp: none", "the bench has no rail brake", "about 42 repeats",
                 "the joint never reached its speed", "scatter of 8 reversals", "frames 0 to",
                 "torque 1 N*m", "no limit set",
                 "the adapter went away: no frame for 100 ms"):  # fmt: skip
        assert text in page.text, text
    title = re.search(r"<title>(.*?)</title>", report_html(run).decode())
    assert title
    assert title[1] == "SIMULATED tarn-fl: bench error"
    headings = re.findall(r"<h2>.*?</h2>", report_html(run).decode().partition('<section id="results">')[2])
    assert len(headings) == 10
    assert all("SIMULATED" in heading for heading in headings)


@pytest.mark.parametrize("which", ["run", "hostile"])
def test_html_asks_for_nothing_from_outside(which: str, request: pytest.FixtureRequest) -> None:
    page = Page(report_html(request.getfixturevalue(which)))
    names = {tag for tag, _ in page.tags}
    assert not names & {"img", "link", "iframe", "object", "embed", "form", "base", "image", "use", "video", "audio"}
    for tag, attributes in page.tags:
        assert not {"src", "style", "srcset", "action"} & set(attributes), (tag, attributes)
        assert not any(name.startswith("on") for name in attributes)
        assert (attributes.get("href") or "#").startswith("#")
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy


def test_html_shows_hostile_names_as_text(hostile: Run) -> None:
    html = report_html(hostile)
    page = Page(html)
    assert "<script>alert('x')</script>" in page.text
    scripts = [a for tag, a in page.tags if tag == "script"]
    assert [a.get("type") for a in scripts] == ["application/json", "text/plain", None]
    text = html.decode("utf-8")
    assert all(character.isprintable() or character == "\n" for character in text)


def test_html_says_when_samples_are_missing(run: Run, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(run.folder, tmp_path / run.folder.name))
    next(folder.glob("parts/*/samples.parquet")).unlink()
    text = Page(report_html(read_run(folder))).text
    assert "cannot be shown: " in text  # at the trace, with the reason
    assert re.search(r"The samples of [1-9]\d* of the traces cannot be shown", text)  # and on the first page
    assert "of the traces cannot be shown" not in Page(report_html(run)).text
