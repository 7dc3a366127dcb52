"""What is marked in the plots: steps at their first sample, stops of the journal, the first sample beyond a limit."""

from __future__ import annotations

import numpy as np
import pytest

from legtest.records.reading import Run, read_run
from legtest.reports.happenings import first_violation, happenings
from legtest.reports.html import report_html
from legtest.reports.plot import Guide, Plot, Series
from tests.reports.rich_run import rich_run


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(rich_run(tmp_path_factory.mktemp("runs"), cycles=1300))


def test_steps_begin_at_the_first_sample_of_their_span(run: Run) -> None:
    part = run.parts[0]
    record = part.segments[0]
    trace = part.samples(record.samples[0])
    found = happenings(part, record.segment.spans, trace, None)
    assert [each.text for each in found if each.look == "step"] == ["approach", "there", "back"]
    for each, span in zip([h for h in found if h.look == "step"], record.segment.spans, strict=True):
        row = int(np.flatnonzero(trace.sync >= span.first)[0])
        assert each.at_s == trace.time_s[row]
    (note,) = [each for each in found if each.look == "note"]
    assert (note.at_s, note.text) == (pytest.approx(1300 * 0.004 * 0.8), "stop then off: asked for by the test")
    assert found == sorted(found)


def plot(values: list[float], *, judged: bool = True, limit: float = 2.0) -> Plot:
    guides = (Guide("", "low", -limit, 6.0), Guide("limit ±", "high", limit, 6.0))
    return Plot(
        "knee error", "deg", np.arange(float(len(values))), (Series("e", "miss", np.array(values), (), judged),), guides
    )


@pytest.mark.parametrize(("values", "at"), [
    ([0, 1, -1], None), ([0, 2.0, -2.0], None), ([0, np.nan, -2.1, 9], 2.0), ([3.0], 0.0), ([np.nan] * 3, None),
])  # fmt: skip
def test_the_first_sample_beyond_a_limit(values: list[float], at: float | None) -> None:
    found = first_violation([plot(values)])
    assert (found.at_s if found else None) == at
    assert first_violation([plot(values, judged=False)]) is None


def test_the_earliest_of_several_plots() -> None:
    found = first_violation([plot([0, 0, 5.0]), plot([0, -2.5, 5.0])])
    assert found
    assert found.text == "first beyond a limit: knee error -2.5 deg, limit -2 deg"


def test_angles_before_a_homing_are_not_called_joint_angles(run: Run) -> None:
    assert b"No homing was recorded before" in report_html(run)
