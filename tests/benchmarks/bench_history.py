"""How fast runs go into the history and a leg's trends come out, in SQLite and PostgreSQL. By hand, never by pytest.

    python tests/benchmarks/bench_history.py [--runs 10000] [--quantities 50]

The PostgreSQL server is started for it and gone afterwards; it is left out where none is installed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from time import perf_counter

sys.path.insert(0, str(Path(__file__).parents[2]))

from legtest.history import store
from legtest.history.snapshot import Snapshot
from legtest.history.sql import Database, open_history
from legtest.history.trend import trends
from tests.history.make_snapshot import LEG, make_snapshot, make_value
from tests.history.postgres import programs, server


def made_run(day: int, quantities: int) -> Snapshot:
    """A made-up run; budgets are shared, so that making it costs next to nothing."""
    return make_snapshot(*_VALUES[:quantities], day=day)


_VALUES = tuple(make_value(0.2 + 0.001 * n, n=n, winding_temperature_C=31.5) for n in range(1000))


def fill(database: Database, first: int, last: int, quantities: int) -> float:
    """Add runs first..last-1; the seconds that took, without making them."""
    seconds = 0.0
    for day in range(first, last):
        run = made_run(day, quantities)
        run = replace(run, uid=f"{day:064x}")
        start = perf_counter()
        store.add(database, run)
        seconds += perf_counter() - start
    return seconds


def query(database: Database, last: int = 200) -> tuple[float, float]:
    """Seconds to read the newest runs of the leg with all their values, and to chart them."""
    start = perf_counter()
    rows = store.runs_of(database, LEG, last)
    points = list(store.points_of(database, LEG, rows))
    middle = perf_counter()
    trends(LEG, rows, points)
    return middle - start, perf_counter() - middle


def report(name: str, place: str, runs: int, quantities: int) -> None:
    with closing(open_history(place)) as database:
        seconds = fill(database, 0, runs, quantities)
        again = fill(database, 0, min(runs, 500), quantities)
        read, chart = (1000 * min(times) for times in zip(*(query(database) for _ in range(3)), strict=True))
        (count,) = database.execute("SELECT count(*) FROM value").fetchone()
    print(
        f"{name}: {runs} runs of {quantities} quantities: {runs / seconds:.0f} runs/s "
        f"({runs * quantities / seconds:.0f} values/s), {1000 * seconds / runs:.2f} ms a run; there already: "
        f"{1000 * again / min(runs, 500):.2f} ms; newest 200 runs read in {read:.0f} ms, charted in {chart:.0f} ms; "
        f"{count} values"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--quantities", type=int, default=50)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite"
        report("SQLite", str(path), words.runs, words.quantities)
        print(f"SQLite file: {path.stat().st_size / 1e6:.1f} MB")
    where = programs()
    if where is None:
        print("PostgreSQL: not installed")
        return
    with server(where) as url:
        report("PostgreSQL", url, words.runs, words.quantities)


if __name__ == "__main__":
    main()
