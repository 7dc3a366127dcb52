"""A history of many runs is as quick as one of few. The figures of 10,000 runs: tests/benchmarks/bench_history.py."""

from __future__ import annotations

from contextlib import closing

import pytest

from legtest.history.sql import open_history
from tests.benchmarks.bench_history import fill, query


@pytest.mark.slow
def test_reading_the_newest_runs_does_not_slow_down_as_the_history_grows(place: str) -> None:
    quantities, times = 50, []
    with closing(open_history(place)) as database:
        for first, last in ((0, 200), (200, 1000)):
            fill(database, first, last, quantities)
            times.append(min(query(database, 100)[0] for _ in range(5)))
        assert database.execute("SELECT count(*) FROM value").fetchone()[0] == 1000 * quantities
    assert times[1] < 4 * times[0]  # five times the runs; a search through all of them would take as much longer
