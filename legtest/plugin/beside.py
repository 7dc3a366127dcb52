"""What stands beside a run's verdicts: the comparison with a baseline, and the trend over earlier runs.

Limit, baseline and trend are three questions: is it good, is it as it was, is it drifting? They are never merged. Both
are written into the run's journal before it is sealed, so that a report needs nothing but the record.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from legtest.errors import LegtestError, RecordError
from legtest.plugin.live_rules import typed_arguments, values_typed

if TYPE_CHECKING:
    from legtest.history.baseline import Baseline
    from legtest.history.compare import Comparison
    from legtest.history.snapshot import Snapshot
    from legtest.history.sql import Database
    from legtest.history.trend import Trends
    from legtest.records.run import RunWriter

HISTORY, BASELINE, BASELINES = "--leg-history", "--leg-baseline", "--leg-baselines"
NO_HISTORY = "none"
_EARLIER = 200  # runs of a leg that its charts go back
_INCONCLUSIVE = 10


def add_options(group: Any) -> None:
    """The options of this part."""
    group.addoption(BASELINE, metavar="NAME|RUN", help="compare with a baseline, or with an earlier run's folder")
    group.addoption(BASELINES, metavar="DIR", default="baselines", help="where baselines are (default: %(default)s)")
    group.addoption(
        HISTORY, metavar="FILE|URL", help="where the history is (default: history.sqlite in --leg-runs; none: nowhere)"
    )


class Beside:
    """Held by the process that controls a session. `notes`: what did not work and is no fault of the run."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config
        self._baseline: Baseline | None = None
        self._snapshot: Snapshot | None = None
        self._comparison: Comparison | None = None
        self._trends: list[Trends] = []
        self.notes: list[str] = []

    def read(self) -> None:
        """Before the first test, so that a wrong name is a usage error. Raises pytest.UsageError."""
        place = self._config.getoption(HISTORY)
        if place and "://" in place and place not in values_typed(typed_arguments(self._config), HISTORY):
            raise pytest.UsageError(f"{HISTORY}: the address of a database must be typed on the command line")
        wanted = self._config.getoption(BASELINE)
        if wanted:
            from legtest.history.baseline import find

            try:
                self._baseline = find(Path(self._config.getoption(BASELINES)), wanted)
            except LegtestError as error:
                raise pytest.UsageError(f"{BASELINE}: {error}") from None

    def write(self, writer: RunWriter) -> None:
        """Journal comparison and trend of the run, whose tests have ended. Raises RecordError for its own record."""
        if self._baseline is None and self._place is None:
            return
        from legtest.history.compare import compare_runs
        from legtest.history.snapshot import snapshot
        from legtest.records.reading import read_run

        try:
            self._snapshot = new = snapshot(read_run(writer.folder))
        except RecordError as error:
            self.notes.append(f"neither compared nor charted: {error}")
            return
        if self._baseline is not None:
            base = self._baseline
            self._comparison = compare_runs(new, base.snapshot)
            for row in self._comparison.rows:
                writer.comparison(row.body(base.name, base.snapshot.run))
        try:
            self._trends = self._read_trends(new)
        except RecordError as error:
            self.notes.append(f"no trend: {error}")
        for trends in self._trends:
            for series in trends.series:
                if len(series.values) > 1:
                    writer.trend(series.body())

    def keep(self, writer: RunWriter) -> None:
        """Add the sealed run to the history; what fails is a note, the record can be imported later."""
        if self._snapshot is None or self._place is None:
            return
        from dataclasses import replace

        from legtest.history import snapshot, store

        try:
            with closing(self._open()) as database:
                store.add(database, replace(self._snapshot, uid=snapshot.uid_of_seal(writer.header.sealed)))
        except LegtestError as error:
            self.notes.append(f"not added to the history: {error}; `legtest import {writer.folder}` does it later")

    def status(self, status: int) -> int:
        """The exit status with the comparison counted in: different 1, undecided or refused 10."""
        if self._baseline is None:
            return status
        from legtest.metrology.equivalence import Outcome

        outcome = self._comparison.outcome if self._comparison else Outcome.REFUSED
        if outcome is Outcome.DIFFERENT and status in (0, _INCONCLUSIVE, 11):
            return 1
        return _INCONCLUSIVE if outcome is not Outcome.EQUIVALENT and status == 0 else status

    def lines(self) -> Iterator[str]:
        """For the end of the run: how it compares and what else was changed; the rows are in the table above."""
        if self._comparison is not None and self._baseline is not None:
            found = self._comparison
            name = f"baseline {self._baseline.name} ({found.old.run})" if self._baseline.name else found.old.run
            totals = ", ".join(f"{count} {word}" for word, count in found.counts.items())
            yield f"compared with {name}: {found.outcome}: {found.refused or totals}"
            yield from (f"  changed: {change}" for change in found.changes)
        for trends in self._trends:
            learnt = [s for s in trends.series if isfinite(s.charted.low)]
            if learnt:
                many = f"{sum(bool(s.signal) for s in learnt) or 'none'} of {len(learnt)} quantities"
                yield f"trend of {trends.leg} over {len(trends.rows)} runs: {many} drift"
        yield from self.notes

    @property
    def _place(self) -> str | None:
        from legtest.history.store import default_place

        place = self._config.getoption(HISTORY) or default_place(Path(self._config.getoption("--leg-runs")))
        return None if place == NO_HISTORY else place

    def _open(self) -> Database:
        from legtest.history.sql import open_history

        return open_history(self._place or "")

    def _read_trends(self, new: Snapshot) -> list[Trends]:
        if self._place is None:
            return []
        from legtest.history.store import points_of, runs_of, unsealed_points, unsealed_row
        from legtest.history.trend import trends

        found = []
        with closing(self._open()) as database:
            for leg in new.legs:
                earlier = runs_of(database, leg, _EARLIER)
                points = [*points_of(database, leg, earlier), *unsealed_points(new, leg)]
                found.append(trends(leg, [*earlier, unsealed_row(new, leg)], points, accepted=self._accepted(leg)))
        return found

    def _accepted(self, leg: str) -> dict[str, str]:
        from legtest.history.baseline import accepted_for

        try:
            return accepted_for(Path(self._config.getoption(BASELINES)), leg)
        except LegtestError as error:
            self.notes.append(f"charts do not begin anew at accepted runs: {error}")
            return {}
