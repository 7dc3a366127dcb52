"""Two runs beside each other: what is compared, what is refused and why, what is said of changes."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from pathlib import Path
from typing import Any

import pytest

from legtest.description.model import DecisionRule
from legtest.history.compare import Comparison, compare_runs
from legtest.history.conditions import CONDITIONS
from legtest.history.snapshot import Value, short_test, snapshot
from legtest.metrology.decision import decide
from legtest.metrology.equivalence import Outcome
from legtest.metrology.measurement import BudgetLine
from legtest.records.reading import read_run
from legtest.records.run import RunWriter
from legtest.records.schema import BODIES
from tests.history.make_snapshot import LEG, SETTING, make_snapshot, make_value, with_drive
from tests.records.make_run import STARTED, make_bench, make_leg, make_run


def beside(new: Value, old: Value, **more: Any) -> Comparison:
    return compare_runs(make_snapshot(new, day=1, **more), make_snapshot(old))


@pytest.mark.parametrize(
    ("moved", "outcome"), [(0.0, "equivalent"), (0.05, "undecided"), (0.2, "different"), (-0.2, "different")]
)
def test_three_outcomes_and_their_lines(moved: float, outcome: str) -> None:
    found = beside(make_value(0.2 + moved), make_value(0.2))
    (row,) = found.rows
    assert (found.outcome, row.outcome, found.counts) == (outcome, outcome, {outcome: 1})
    start = "tarn-fl knee Coulomb friction: moved by "
    assert row.line.startswith(start)
    assert f"margin 0.05 N*m: {outcome}" in row.line
    body = row.body("b", "run")
    assert body["difference"] == pytest.approx(moved)
    assert (body["baseline"], body["baseline_run"], body["baseline_value"]) == ("b", "run", 0.2)
    assert (body["outcome"], body["margin"], body["coverage"]) == (outcome, 0.05, 0.9)


def test_values_come_as_the_tests_ended_and_not_as_their_folders_are_named(tmp_path: Path) -> None:
    writer = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    for test in ("z", "m", "a"):
        part = writer.part(test)
        part.begin(leg="tarn-fl", test=test, seed=1, wiremaps=[], sync_id=128)
        part.verdict(0, decide(make_value(0.2).measurement, None, DecisionRule("guarded", 0.95)), test=test)
        part.end(0)
    for test in ("m", "z"):
        writer.test_end(test, "pass", leg="tarn-fl", seconds=0.1)
    writer.seal()
    assert [value.test for value in snapshot(read_run(writer.folder)).values] == ["m", "z", "a"]


def test_undecided_says_how_many_runs_would_settle_it() -> None:
    found = beside(make_value(0.22, u=0.025), make_value(0.2, u=0.002))
    (row,) = found.rows
    assert row.outcome is Outcome.UNDECIDED
    needed = row.body("", "")["repeats_needed"]
    assert 2 <= needed <= 5
    assert f"about {needed} runs like this one would settle it" in row.line
    (row,) = beside(make_value(0.22, u=0.002), make_value(0.2, u=0.025)).rows
    assert row.body("", "")["repeats_needed"] is None
    assert "repeating this run would not settle it" in row.line


def test_what_is_systematic_cancels_on_the_same_drives_alone() -> None:
    new, old = make_value(0.2, systematic=0.1), make_value(0.2, systematic=0.1)
    assert beside(new, old).outcome is Outcome.EQUIVALENT
    exchanged = with_drive(make_snapshot(new, day=1), "knee", serial=9999)
    found = compare_runs(exchanged, make_snapshot(old))
    assert found.outcome is Outcome.UNDECIDED
    assert found.changes == ("knee drive: serial 4102 -> 9999",)
    found = compare_runs(make_snapshot(new, day=1, seed=2), make_snapshot(old))
    assert found.outcome is Outcome.UNDECIDED
    assert found.changes == ("another simulated leg: seed 1 -> 2",)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"mode": "LIVE"}, "one is LIVE, the other SIMULATED"),
        ({"setting": {**SETTING, "rate_hz": 500.0}}, "the bench differs: rate_hz (250.0 then, 500.0 now)"),
        ({"setting": {**SETTING, "stand.name": "x"}}, "the stand differs: stand.name (streams then, x now)"),
        ({"setting": {"rate_hz": 250.0}}, "the bench differs: known_mass_kg (1.0 then, None now)"),
    ],
)
def test_another_bench_stand_or_mode_is_refused_whole(change: dict[str, Any], reason: str) -> None:
    found = beside(make_value(0.2), make_value(0.2), **change)
    assert found.outcome is Outcome.REFUSED
    assert reason in found.refused
    assert [row.reason for row in found.rows] == [found.refused]


@pytest.mark.parametrize(
    ("new", "old", "reason"),
    [
        ({"winding_temperature_C": 45.5}, {"winding_temperature_C": 35.0}, "more than 10 K apart"),
        ({"load_Nm": 5.0}, {"load_Nm": 5.6}, "load_Nm: 5.6 then, 5 now, more than 10% apart"),
        ({"warm_up_s": 0.0}, {"warm_up_s": 600.0}, "warm_up_s: 600 then, 0 now"),
        ({"winding_temperature_C": 45.5}, {}, "known of this run alone"),
        ({}, {"mass_kg": 1.0}, "known of the baseline alone"),
        ({"load_Nm": nan}, {"load_Nm": nan}, "known of"),
        ({"reference": "external"}, {"reference": "internal"}, "their references differ: external now, internal then"),
        ({"invalid": "it slipped"}, {}, "the value of this run is invalid: it slipped"),
        ({}, {"word": "invalid"}, "the value of the baseline is invalid"),
    ],
)  # fmt: skip
def test_other_conditions_are_refused_with_the_reason(new: dict[str, Any], old: dict[str, Any], reason: str) -> None:
    found = beside(make_value(0.2, **new), make_value(0.2, **old))
    assert (found.outcome, found.refused) == (Outcome.REFUSED, "")
    assert reason in found.rows[0].reason
    assert found.rows[0].line.endswith(found.rows[0].reason)


@pytest.mark.parametrize(
    "both",
    [
        ({"winding_temperature_C": 44.0}, {"winding_temperature_C": 35.0}),
        ({"load_Nm": 5.0}, {"load_Nm": 5.4}),
        ({"friction_Nm": 0.1}, {"friction_Nm": 0.3}),  # a result found along the way, no condition
    ],
)
def test_conditions_within_their_window_are_compared(both: tuple[dict[str, float], dict[str, float]]) -> None:
    new, old = both
    assert beside(make_value(0.2, **new), make_value(0.2, **old)).outcome is Outcome.EQUIVALENT
    assert "friction" not in CONDITIONS


def test_without_a_margin_or_a_partner_a_value_is_shown_and_weighs_nothing() -> None:
    same, no_margin = make_value(0.2), make_value(0.3, quantity="backlash", margin=None)
    extra, gone = make_value(0.4, n=1), make_value(0.5, n=2)
    found = compare_runs(make_snapshot(same, no_margin, extra, day=1), make_snapshot(same, no_margin, gone))
    assert found.outcome is Outcome.EQUIVALENT
    assert [row.reason for row in found.rows] == [
        "", "no margin set: nobody said", "the baseline has no such value", "not measured in this run"
    ]  # fmt: skip
    assert [row.counts for row in found.rows] == [True, False, False, False]
    assert dict(found.counts) == {"equivalent": 1, "not compared": 3}
    assert found.rows[-1].body("b", "r")["test"] == "test_gears.py::test_friction"


@pytest.mark.parametrize(
    "lines",
    [(), (BudgetLine("x", 0.02),), (BudgetLine("x", 0.01, 0.0),), (BudgetLine("x", -0.01),), (BudgetLine("x", nan),)],
)
def test_a_budget_that_does_not_add_up_is_not_believed(lines: tuple[BudgetLine, ...]) -> None:
    good = make_value(0.2)
    bad = replace(good, measurement=replace(good.measurement, budget=lines))
    for new, old, whose in ((bad, good, "this run"), (good, bad, "the baseline")):
        found = beside(new, old)
        assert found.outcome is Outcome.REFUSED
        assert found.rows[0].reason == f"the uncertainty budget of {whose} does not add up"


def test_the_event_is_what_the_published_schema_says() -> None:
    rows = [*beside(make_value(0.2), make_value(0.2)).rows, *beside(make_value(0.2, margin=None), make_value(0.2)).rows]
    for row in rows:
        assert row.body("b", "r").keys() == BODIES["comparison"].keys()


def test_nothing_in_common_is_refused() -> None:
    found = beside(make_value(0.2, test="test_a.py::test_a"), make_value(0.2))
    assert found.outcome is Outcome.REFUSED
    assert "no quantity of the same leg and test in both" in found.refused
    only = beside(make_value(0.2, margin=None), make_value(0.2))
    assert only.outcome is Outcome.REFUSED


def test_the_worst_decides() -> None:
    new = [make_value(0.2), make_value(0.25, n=1), make_value(0.4, n=2)]
    old = [make_value(0.2), make_value(0.2, n=1), make_value(0.2, n=2)]
    for count, outcome in ((1, "equivalent"), (2, "undecided"), (3, "different")):
        assert compare_runs(make_snapshot(*new[:count], day=1), make_snapshot(*old[:count])).outcome == outcome


def test_what_else_changed_is_said() -> None:
    old = make_snapshot(make_value(0.2))
    new = make_snapshot(make_value(0.2), day=1, legs={LEG: "b" * 64}, faults=("lost-counts",))
    new = with_drive(new, "hip", declared_firmware="1.9")
    hip, knee = old.fingerprints
    slow = (replace(hip, reply_us=700.0), replace(knee, limit_response=0.6))
    changes = compare_runs(replace(new, fingerprints=slow), old).changes
    assert changes == (
        "tarn-fl: the leg file was changed",
        "faults put in: none -> lost-counts",
        "hip drive: declared firmware 1.8 -> 1.9",
        "hip drive answers after 700 us, 300 us before",
        "knee drive reports up to 0.6 of its torque cap, 0.99 before",
    )
    other = tuple(replace(each, test="another", reply_us=900.0) for each in old.fingerprints)
    assert compare_runs(replace(old, fingerprints=other), old).changes == ()
    unknown = tuple(replace(each, limit_response=nan, reply_us=nan) for each in old.fingerprints)
    assert compare_runs(replace(old, fingerprints=unknown), old).changes == ()


def test_a_test_is_known_by_its_file_and_name() -> None:
    assert short_test("a/b/test_x.py::TestY::test_z[p/q-1]") == "test_x.py::TestY::test_z[p/q-1]"
    assert short_test("odd") == "odd"


def test_a_record_beside_itself_is_equivalent_where_it_is_fine_enough(tmp_path: Any) -> None:
    run = snapshot(read_run(make_run(tmp_path, cycles=100)))
    assert run.uid
    assert [(f.joint, f.reply_us) for f in run.fingerprints] == [("abduction", 120.0), ("hip", 240.0), ("knee", 360.0)]
    found = compare_runs(run, run)
    words = {row.label: row.outcome for row in found.rows}
    assert words["tarn-fl knee backlash"] is Outcome.EQUIVALENT
    assert words["tarn-fl hip holding torque ratio"] is Outcome.UNDECIDED  # its U is wider than the margin
    assert found.rows[0].new is not None
    assert found.rows[0].new.margin_from.startswith("a third of the tolerance half-width (tarn-fl.yaml:")
