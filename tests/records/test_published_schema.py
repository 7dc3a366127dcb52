"""The published schemas: up to date, true of every event that can be written, and false of what the reader refuses."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from make_run import STARTED, Filling, make_bench, make_leg, make_run, value
from write_schema import ROOT, texts

from legtest.records.journal import KINDS
from legtest.records.run import RunWriter
from legtest.records.schema import BODIES
from legtest.session import Setting, open_simulated

JOURNAL = Draft202012Validator(json.loads((ROOT / "docs/reference/journal.schema.json").read_text()))
RUN = Draft202012Validator(json.loads((ROOT / "docs/reference/run.schema.json").read_text()))
LEG = ROOT / "fixtures/legs/tarn-hopper.yaml"


def lines(run: Path) -> Iterator[dict[str, Any]]:
    for path in run.rglob("journal.jsonl"):
        yield from map(json.loads, path.read_text().splitlines())


def check(run: Path) -> set[str]:
    """Everything in the run is as the schemas say; the kinds of its events."""
    RUN.validate(json.loads((run / "run.json").read_text()))
    for line in lines(run):
        JOURNAL.validate(line)
    return {line["kind"] for line in lines(run) if "kind" in line}


def test_what_is_published_is_what_the_code_says() -> None:
    """If not: python tests/records/write_schema.py"""
    for path, text in texts().items():
        assert path.read_text() == text, path
        Draft202012Validator.check_schema(json.loads(text))
    assert tuple(BODIES) == KINDS


def everything(runs: Path) -> Path:
    """A run with an event of every kind."""
    leg = make_leg()
    run = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), faults=("x",))
    filling = Filling(run.part("t"), leg, "t")
    filling.move("backlash", None, 20, method="A torque is reversed.", torque_Nm=1.0, poses=[[0.1, None], "x"])
    filling.judge(value("backlash", "knee", float("nan"), ("scatter", 0.001), invalid="no figure"))
    filling.judge(value("path_accuracy", "foot", 0.002, ("joint angles", 0.0002)))
    filling.part.bench_error(5, "the adapter went away", test="t")
    filling.part.note(6, "the leg was warm")
    filling.part.end(9)
    run.test_end("t", "fail", leg=leg.name, seconds=1.25, reason="too much play")
    compared = {
        "leg": leg.name, "test": "t", "subject": "knee", "quantity": "backlash", "baseline": "accepted",
        "baseline_run": "20310304-050607-tarn-fl-01", "baseline_value": 0.01, "outcome": "undecided",
        "difference": 0.001, "U": 0.002, "margin": 0.002, "coverage": 0.95, "repeats_needed": 9, "reason": "wide",
    }  # fmt: skip
    run.comparison(compared)
    nothing: dict[str, Any] = dict.fromkeys(("baseline_value", "difference", "U", "margin", "repeats_needed"))
    run.comparison(compared | nothing | {"outcome": "refused"})
    run.trend({
        "leg": leg.name, "subject": "knee", "quantity": "backlash", "when": ["2031-03-04T05:06:07+00:00"],
        "values": [0.01], "u": [0.001], "marks": [{"when": "2031-03-04T05:06:07+00:00", "what": "new gear"}],
        "centre": 0.01, "low": 0.005, "high": 0.015, "chart": "EWMA", "signal": "",
    })  # fmt: skip
    run.attendance(True, "M. Okafor")
    run.selected(["t", "t2"])
    run.seal()
    return run.folder


def test_every_kind_of_event(tmp_path: Path) -> None:
    assert check(everything(tmp_path)) == set(KINDS)


def test_runs_that_are_made_up_and_run_on_the_simulated_leg(tmp_path: Path) -> None:
    check(make_run(tmp_path, cycles=20))
    setting = Setting([str(LEG)], None, 1, [], False)
    run = setting.create_run(tmp_path, STARTED, ())
    opened = open_simulated(setting, setting.legs[0], run.folder, "t", lambda: "")
    with opened.bench.recording("hold", None, "The leg is held still."), opened.bench.energised():
        opened.bench.wait(0.5)
    opened.close()
    run.seal()
    assert {"part_begin", "precheck", "segment", "part_end"} <= check(run.folder)


@pytest.mark.parametrize("change", [
    {"kind": "party"}, {"n": -1}, {"n": "0"}, {"t_ns": 0.5}, {"t_ns": 2**64}, {"body": []}, {"body": {"more": 1}},
    {"more": 1}, {"body": {"text": 1, "test": ""}}, {"kind": "verdict"},
])  # fmt: skip
def test_what_is_no_event(change: dict[str, Any]) -> None:
    event = {"n": 0, "t_ns": 0, "kind": "note", "body": {"text": "x", "test": ""}}
    JOURNAL.validate(event)
    assert not JOURNAL.is_valid(event | change)


def test_what_is_no_header(tmp_path: Path) -> None:
    data = json.loads((make_run(tmp_path, cycles=3) / "run.json").read_text())
    for change in ({"version": 2}, {"mode": "REAL"}, {"more": 1}, {"legs": [{}]}, {"seed": "1"}, {"format": "other"}):
        assert RUN.is_valid(data)
        assert not RUN.is_valid(data | change), change
