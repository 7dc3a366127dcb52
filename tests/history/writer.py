"""A process that adds made-up runs to a history, for tests with two writers: python writer.py PLACE FIRST LAST."""

from __future__ import annotations

import sys
from contextlib import closing

from legtest.history.sql import open_history
from legtest.history.store import add
from tests.history.make_snapshot import make_snapshot, make_value


def main(place: str, first: int, last: int) -> None:
    with closing(open_history(place)) as database:
        added = sum(
            add(database, make_snapshot(*(make_value(0.2 + 0.001 * n, n=n) for n in range(20)), day=day))
            for day in range(first, last)
        )
    print(added)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
