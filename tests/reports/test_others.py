"""Baseline and trend beside the limits: three judgements in every report, never merged."""

from __future__ import annotations

import re
from math import radians
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import junitparser
import numpy as np
import pytest
import xmlschema
from junit2htmlreport.parser import Junit

from legtest.description.model import Limit
from legtest.records.reading import Run
from legtest.reports.beside import Beside, beside, key_of
from legtest.reports.console import table_lines
from legtest.reports.html import report_html
from legtest.reports.interval import WIDTH, interval_svg, spark_svg
from legtest.reports.junit import junit_xml
from legtest.reports.rows import sheet
from legtest.reports.summary import summary_md
from tests.reports.rich_run import comparison, trend

SCHEMA = Path(__file__).parents[1] / "references" / "junit" / "junit-10.xsd"
DIFFERENT = "knee backlash changed +0.070 deg, U 0.030 deg (95 %), margin 0.05 deg: different"


def told(*bodies: tuple[str, dict[str, Any]]) -> Beside:
    class Said:
        def bodies(self, kind: str) -> list[dict[str, Any]]:
            return [body for each, body in bodies if each == kind]

    return beside(Said(), {("knee", "backlash"): "angle"})  # type: ignore[arg-type]


def test_words_of_a_run(rich: Run) -> None:
    found = sheet(rich)
    assert found.word == "fail"  # by the limits alone
    assert found.beside.outcome == "different"
    assert found.beside.counts == {"different": 1, "undecided": 1, "refused": 1, "equivalent": 1}
    assert found.beside.baselines == ("after rebuild (run 20310201-080000-tarn-fl-01)",)
    assert found.beside.signals == ("knee backlash: above the upper limit since 2031-01-17",)
    rows = {row.label: row for case in found.cases for row in case.rows}
    changes = {label: row.change.outcome for label, row in rows.items() if row.change}
    assert changes == {
        "knee backlash": "different", "knee homing repeatability": "equivalent",
        "knee peak following error": "undecided", "foot path accuracy AT": "refused",
    }  # fmt: skip
    assert rows["knee homing repeatability"].word == "pass"
    trends = {label: row.trend.signal for label, row in rows.items() if row.trend}
    assert set(trends) == {"knee backlash", "knee homing repeatability"}


@pytest.mark.parametrize(("more", "headline"), [
    ({}, DIFFERENT),
    ({"outcome": "undecided", "repeats_needed": 9},
     "knee backlash changed +0.070 deg, U 0.030 deg (95 %), margin 0.05 deg: undecided; 9 repeats needed"),
    ({"outcome": "refused", "difference": None, "U": None, "reason": "another stand"},
     "knee backlash not compared, margin 0.05 deg: refused; another stand"),
    ({"difference": "x", "U": True, "margin": [], "repeats_needed": "many", "outcome": 7, "reason": None},
     "knee backlash not compared: no outcome"),
])  # fmt: skip
def test_headline_of_a_change(more: dict[str, Any], headline: str) -> None:
    (change,) = told(("comparison", comparison("t", "knee", "backlash", "different") | more)).changes
    assert change.headline == headline


def test_an_unknown_outcome_is_the_worst() -> None:
    found = told(*(("comparison", comparison("t", "knee", "backlash", word)) for word in ("equivalent", "newer")))
    assert found.outcome == "newer"
    assert told().outcome == ""


def test_a_damaged_trend_is_shown_as_far_as_it_goes() -> None:
    body = trend("knee", "backlash") | {"values": [radians(0.5), None, "x"], "low": "x", "when": 3, "marks": ["x", {}]}
    found = told(("trend", body)).trend(("tarn-fl", "t", "knee", "backlash"), 0, "angle")
    assert found
    assert found.count == 3
    assert found.svg
    assert "EWMA limits open to 0.56 deg" in found.said
    assert told(("trend", body)).trend(("tarn-fl", "t", "hip", "backlash"), 0, "angle") is None


def test_a_chart_that_still_learns_is_not_called_quiet() -> None:
    """Two runs cannot signal: to say "no signal" of them would claim what nobody looked at."""
    young = trend("knee", "backlash") | {"test": "a", "low": "nan", "high": "nan"}
    found = told(("trend", young), ("trend", trend("knee", "backlash") | {"test": "b"}))
    assert (found.charted, found.waiting) == (2, 1)
    shown = [found.trend(("tarn-fl", test, "knee", "backlash"), 0, "angle") for test in "ab"]
    assert [t.word if t else None for t in shown] == ["too few runs", "no signal"]
    assert shown[0]
    assert "limits" not in shown[0].said


def test_each_value_finds_its_own_change_and_trend_from_any_folder() -> None:
    here = "suites/gears.py::test_backlash[a/b]"
    found = told(
        ("comparison", comparison("gears.py::test_backlash[a/b]", "knee", "backlash", "equivalent")),
        ("comparison", comparison(here, "knee", "backlash", "different")),
        ("trend", trend("knee", "backlash") | {"test": "gears.py::test_backlash[a/b]"}),
        ("trend", trend("knee", "backlash", signal="up") | {"test": "gears.py::test_other"}),
    )
    key = key_of("tarn-fl", here, "knee", "backlash")
    changes = [found.change(key, n) for n in range(3)]
    assert [c.outcome if c else None for c in changes] == ["equivalent", "different", None]
    trends = [found.trend(key, n, "angle") for n in range(2)]
    assert [t.signal if t else None for t in trends] == ["", None]
    assert found.charted == 2


def test_the_page_has_three_columns(rich: Run) -> None:
    html = report_html(rich).decode()
    title = re.search(r"<title>(.*?)</title>", html)
    assert title
    assert title[1] == "LIVE tarn-fl: fail, baseline: different"
    row = html[html.index('<a href="#t1">knee backlash</a>') :].partition("</tr>")[0]
    text = " ".join(re.sub(r"<[^>]*>", " ", row).split())
    assert text == "knee backlash 0.620 deg 0.049 deg deg ≤ 0.500 &lt; 0.1 % ✗ fail +0.070 ± 0.030 ≠ different ! signal"
    assert 'aria-label="trend: 40 runs, EWMA limits 0.44 to 0.56 deg, centre 0.5; above the upper limit' in row
    for wanted in ("by the limits", "against the baseline", "over earlier runs", "9 repeats needed",
                   "the windings were 14 K warmer", "by M. Okafor"):  # fmt: skip
        assert wanted in html


def test_summary_and_console_say_it_too(rich: Run) -> None:
    text = summary_md(rich).decode().replace("\\", "")
    assert "**Against baseline after rebuild (run 20310201-080000-tarn-fl-01):** 1 different, 1 undecided" in text
    assert f"- {DIFFERENT}" in text
    assert "| +0.070 ± 0.030 different | above the upper limit since 2031-01-17 |" in text
    lines = " ".join(" ".join(table_lines(rich, 100)).split())
    assert f"not equivalent to after rebuild (run 20310201-080000-tarn-fl-01) {DIFFERENT}" in lines
    assert "control charts knee backlash: above the upper limit" in lines
    assert lines.endswith("fail: 1 fail, 1 inconclusive, 1 not run")


def test_junit_has_a_case_for_each_comparison(rich: Run, tmp_path: Path) -> None:
    path = tmp_path / "junit.xml"
    path.write_bytes(junit_xml(rich))
    xmlschema.XMLSchema(SCHEMA).validate(path)
    cases = {case.name: case for suite in junitparser.JUnitXml.fromfile(str(path)) for case in suite}
    (failure,) = cases["tarn-fl knee backlash"].result
    assert failure.type == "different"
    assert failure.message == DIFFERENT
    assert failure.text.splitlines()[0] == DIFFERENT
    assert cases["tarn-fl knee homing_repeatability"].is_passed
    assert len(cases) == 7


def test_a_second_reader_of_junit_agrees(rich: Run, tmp_path: Path) -> None:
    path = tmp_path / "junit.xml"
    path.write_bytes(junit_xml(rich))
    found = Junit(str(path))
    cases = [case for suite in found.suites for group in suite.classes.values() for case in group.cases]
    assert len(cases) == 7
    outcomes = sorted(str(case.outcome()) for case in cases)
    assert outcomes == ["failed"] * 5 + ["passed", "skipped"]
    first = next(case for case in cases if case.name == "test_backlash[tarn-fl-knee]")
    assert first.failure_msg == "knee backlash 0.620 deg, U 0.049 deg, limit 0.500 deg: fail"
    assert first.failure.strip().startswith("knee backlash 0.620 deg, U 0.049 deg, limit 0.500 deg: fail\n")


# --- small pictures -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "u", "low", "high"), [
    (0.62, 0.05, None, 0.5), (0.2, 0.05, None, 0.5), (1.0, 0.3, 0.9, 1.1), (5.0, 0.1, 9.0, None),
    (-3.0, 9.0, -1.0, 1.0), (1e30, 1.0, 0.0, 1.0), (0.5, 0.0, 0.5, 0.5),
])  # fmt: skip
def test_interval_stays_inside_and_in_order(value: float, u: float, low: float | None, high: float | None) -> None:
    svg = interval_svg(value, u, Limit(low, high, "torque", "f:1"), "N*m", 'a "<b>"')
    assert svg
    root = ET.fromstring(svg)
    assert root.get("aria-label") == 'a "<b>"'
    dot = root.find("circle")
    bar = root.find("rect")
    assert dot is not None
    assert bar is not None
    x, left = float(dot.get("cx", "")), float(bar.get("x", ""))
    right = left + float(bar.get("width", ""))
    assert 0 <= left <= right <= WIDTH
    assert 0 <= x <= WIDTH
    if abs(value) < 1e6:
        if high is not None:
            assert (x > right + 0.05) == (value > high)
        if low is not None:
            assert (x < left - 0.05) == (value < low)
    assert len(root.findall("path[@class='end']")) == (low is not None) + (high is not None)


def test_nothing_to_draw() -> None:
    assert interval_svg(1.0, float("nan"), Limit(0.0, 1.0, "torque", "f:1"), "N*m", "") is None
    assert interval_svg(1.0, 0.1, None, "N*m", "") is None
    assert spark_svg([float("nan")], None, None, [], "") is None


def test_the_trend_ends_with_this_run() -> None:
    flat = spark_svg([1.0, 1.001], None, None, [], "trend", 4.0)
    assert flat is not None
    first, last = ([float(v) for v in pair.split(",")] for pair in flat.split('points="')[1].split('"')[0].split())
    assert abs(first[1] - last[1]) < 0.1  # a difference that U hides looks like none
    svg = spark_svg([1.0, 2.0, float("nan"), 4.0], 0.5, 3.5, [1, 9], "trend")
    assert svg
    root = ET.fromstring(svg)
    line, dot = root.find("polyline"), root.find("circle")
    assert line is not None
    assert dot is not None
    points = [tuple(map(float, pair.split(","))) for pair in line.get("points", "").split()]
    assert len(points) == 3
    assert (float(dot.get("cx", "")), float(dot.get("cy", ""))) == points[-1]
    assert (np.diff([y for _, y in points]) < 0).all()  # larger is higher
    assert len(root.findall("path[@class='control']")) == 2
    assert len(root.findall("path[@class='change']")) == 1
