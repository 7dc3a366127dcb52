"""A study: every case that has no row yet, several at once, each row written as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from legtest.study import store
from legtest.study.case import Case
from legtest.study.execute import execute

Row = dict[str, Any]


def study(
    wanted: Sequence[Case],
    suite: Sequence[str],
    results: Path,
    *,
    jobs: int = 1,
    runs: Path | None = None,
    done: Callable[[Case, Row, int], None] = lambda case, row, left: None,
) -> list[Row]:
    """The rows of the wanted cases in their order; cases that the results file holds already are not run again.

    jobs: suites at once, each in a process of its own. done: told after each case, with how many are left.
    Raises UsageError when pytest cannot run a case, RecordError when results cannot be read or written; what was
    finished before stays in the file.
    """
    rows = store.read(results)
    left = [case for case in dict.fromkeys(wanted) if case.key not in rows]
    count = len(left)
    with ThreadPoolExecutor(jobs) as pool:  # a thread only waits for its process
        futures = {pool.submit(execute, case, suite, runs): case for case in left}
        try:
            for future in as_completed(futures):
                row, count = future.result(), count - 1
                store.append(results, row)
                rows[futures[future].key] = row
                done(futures[future], row, count)
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
    return [rows[case.key] for case in dict.fromkeys(wanted)]
