"""Trends over runs: what is charted together, where a chart begins anew, and how it is shown."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from html.parser import HTMLParser
from math import isnan
from typing import Any

import pytest

from legtest.history import textplot
from legtest.history.page import history_html
from legtest.history.snapshot import Snapshot
from legtest.history.store import Point, unsealed_points, unsealed_row
from legtest.history.trend import MOST_POINTS, Trends, trends
from legtest.metrology.control_charts import FEWEST, limits_of
from legtest.records.schema import BODIES
from tests.history.make_snapshot import LEG, make_snapshot, make_value, nightly, with_drive


def trends_of(runs: Sequence[Snapshot], **more: Any) -> Trends:
    rows = [replace(unsealed_row(run, LEG), run_id=n, uid=run.uid) for n, run in enumerate(runs)]
    points: list[Point] = [replace(p, run_id=n) for n, run in enumerate(runs) for p in unsealed_points(run, LEG)]
    return trends(LEG, rows, points, **more)


def test_a_steady_leg_does_not_signal_and_a_drift_does() -> None:
    steady = trends_of(nightly(40))
    assert [s.signal for s in steady.series] == ["", "", ""]
    assert steady.limits == limits_of("EWMA", 3)
    assert steady.rate_text == (
        "limits set for 3 quantities together: one false alarm in 20 runs, 1.5 a month at a run a day"
    )
    first, *others = trends_of(nightly(40, shift=0.03, since=30)).series
    assert re.fullmatch(r"(EWMA|jump) up: \d\.\d\d, limit \d\.\d\d since 2031-04-0\d", first.signal)
    assert [s.signal for s in others] == ["", ""]
    assert re.match(r"(EWMA|jump) up: ", first.signal)
    back = trends_of([*nightly(40, shift=0.05, since=30)[:34], *nightly(38)[34:]]).series[0]
    assert back.signal.startswith("EWMA up, receding: ")
    down = trends_of(nightly(40, shift=-0.03, since=30), name="CUSUM").series[0]
    assert down.signal.startswith("CUSUM down: ")


def test_runs_on_another_bench_or_of_another_simulated_leg_are_left_out() -> None:
    runs = nightly(12)
    runs[3] = replace(runs[3], seed=2)
    runs[5] = replace(runs[5], setting={"rate_hz": 500.0})
    runs[7] = replace(runs[7], mode="LIVE")
    found = trends_of(runs)
    assert (len(found.rows), found.left_out) == (9, 3)
    assert {len(s.values) for s in found.series} == {9}


def test_only_what_the_newest_run_measured_is_charted_and_invalid_values_are_not() -> None:
    runs = nightly(8)
    runs[-1] = replace(runs[-1], values=runs[-1].values[:2])
    bad = replace(runs[4].values[0], word="invalid")
    runs[4] = replace(runs[4], values=(bad, *runs[4].values[1:]))
    found = trends_of(runs)
    assert [len(s.values) for s in found.series] == [7, 8]
    assert found.limits == limits_of("EWMA", 2)


@pytest.mark.parametrize(
    ("change", "mark"),
    [
        ({"serial": 9}, "knee drive, serial 4102 -> 9"),
        ({"declared_firmware": "2.0"}, "knee declared firmware 1.8 -> 2.0"),
        ({"declared_firmware": ""}, "knee declared firmware 1.8 -> not stated"),
        ({"revision": 7}, "knee revision 1 -> 7"),
    ],
)
def test_a_changed_drive_is_marked_and_begins_the_charts_of_its_joint_anew(change: dict[str, Any], mark: str) -> None:
    runs = nightly(30, shift=0.05, since=20)
    changed = [with_drive(run, "knee", **change) if day >= 20 else run for day, run in enumerate(runs)]
    first = trends_of(changed).series[0]
    assert [(m.what, m.when[:10]) for m in first.marks] == [(mark, "2031-03-24")]
    assert (first.begin, first.signal) == (20, "")
    assert trends_of(runs).series[0].signal != ""
    # Another joint's quantity goes on; one of the whole leg does not.
    for subject, begin in (("hip", 0), ("foot", 20), ("leg", 20)):
        moved = [
            replace(run, values=(make_value(0.2 + 0.001 * day, subject=subject),)) for day, run in enumerate(changed)
        ]
        (series,) = trends_of(moved).series
        assert (series.begin, len(series.marks)) == (begin, 1 if begin else 0)


def test_an_accepted_baseline_begins_all_charts_anew() -> None:
    runs = nightly(30, shift=0.05, since=20)
    said = "accepted as new-level by M. Osei: new seals"
    found = trends_of(runs, accepted={runs[20].uid: said})
    assert {s.begin for s in found.series} == {20}
    assert [m.what for m in found.series[0].marks] == [said]
    assert found.series[0].signal == ""


def test_other_changes_are_marked_and_go_on() -> None:
    runs = nightly(10)
    runs[4:] = [replace(run, legs={LEG: "b" * 64}) for run in runs[4:]]
    runs[6:] = [replace(run, faults=("lost-counts@hip",), legtest="0.2.0") for run in runs[6:]]
    (first, *_) = trends_of(runs).series
    assert [m.what for m in first.marks] == [
        "leg file changed", "faults put in: lost-counts@hip", "legtest 0.1.0 -> 0.2.0"
    ]  # fmt: skip
    assert first.begin == 0


def test_the_event_of_the_journal_holds_the_newest_and_its_changes() -> None:
    runs = nightly(MOST_POINTS + 20)
    runs[1:] = [replace(run, legtest="0.2.0") for run in runs[1:]]
    runs[-3:] = [replace(run, legtest="0.3.0") for run in runs[-3:]]
    body = trends_of(runs).series[0].body()
    assert {len(body[key]) for key in ("when", "values", "u")} == {MOST_POINTS}
    assert body["values"][-1] == runs[-1].values[0].measurement.value
    assert [mark["what"] for mark in body["marks"]] == ["legtest 0.2.0 -> 0.3.0"]
    assert body["low"] < body["centre"] < body["high"]
    assert (body["chart"], body["signal"], body["leg"], body["subject"]) == ("EWMA", "", LEG, "knee")
    assert body.keys() == BODIES["trend"].keys()


def test_without_runs_there_are_no_trends() -> None:
    assert trends_of([]).series == ()
    few = trends_of(nightly(FEWEST)).series[0]
    assert (isnan(few.charted.low), few.signal) == (True, "")


# ------------------------------------------------------------------ shown
def test_the_table_and_the_plot_are_text(snapshots: list[Snapshot]) -> None:
    found = trends_of(snapshots)
    head, *lines = textplot.table(found, blocks=False)
    assert head.split("  ")[0] == "quantity"
    assert len(lines) == 3
    assert "EWMA up" in lines[0]
    assert lines[1].endswith("-")
    assert all(line.isascii() for line in lines)
    plot = textplot.plot(found.series[0])
    assert plot[0].startswith("knee Coulomb friction, N*m: EWMA up")
    body = "".join(plot[1 : 1 + textplot.HEIGHT])
    assert body.count("x") == sum(found.series[0].charted.out)
    assert body.count("o") + body.count("x") == 40
    assert "|" in body
    assert plot[-1] == "  1: 2031-03-14 legtest 0.1.0 -> 0.2.0"
    assert all(line.isascii() and len(line) <= 90 for line in plot)


@pytest.mark.parametrize("values", [[1.0], [2.0, 2.0, 2.0], [0.0, 1e-300], [-1.0, 1.0]])
def test_odd_developments_are_drawn(values: list[float]) -> None:
    assert len(textplot.spark(values)) == len(values)
    runs = [make_snapshot(make_value(x), day=n) for n, x in enumerate(values)]
    (series,) = trends_of(runs).series
    assert len(textplot.plot(series)) == textplot.HEIGHT + 2
    assert b"</html>" in history_html(trends_of(runs))


@pytest.fixture
def snapshots() -> list[Snapshot]:
    runs = nightly(40, shift=0.03, since=30)
    runs[10:] = [replace(run, legtest="0.2.0") for run in runs[10:]]
    return runs


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("href", "src", "action", "xlink:href")]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_stands_alone_and_is_the_same_again(snapshots: list[Snapshot]) -> None:
    content = history_html(trends_of(snapshots))
    assert content == history_html(trends_of(snapshots))
    page = _Page()
    page.feed(content.decode())
    assert "script" not in page.tags
    assert page.tags.count("svg") == 3
    assert b'@top-left { content: "SIMULATED"' in content  # on every printed page
    assert all(address.startswith("#") for address in page.addresses)
    text = " ".join(page.text)
    for said in ("SIMULATED", "one false alarm in 20 runs", "EWMA up", "legtest 0.1.0 -> 0.2.0", "says nothing about"):
        assert said in text
    with pytest.raises(ValueError, match="without runs"):
        history_html(trends_of([]))


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", '"><img src=x onerror=y>', "\u202eabc", "x" * 10_000])
def test_hostile_names_are_text(name: str) -> None:
    runs = [
        make_snapshot(
            make_value(0.2 + 0.001 * day, subject=name, test=name, quantity=name, kind="torque"), day=day,
            faults=(name,) if day > 3 else (), legtest=name if day > 5 else "0.1.0",
        )
        for day in range(8)
    ]  # fmt: skip
    content = history_html(trends_of(runs)).decode()
    page = _Page()
    page.feed(content)
    assert not {"script", "img"} & set(page.tags)
    assert "\u202e" not in content
