"""How many tests have ended and how long the others may take, said now and then on a line of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from legtest.errors import RecordError

WATCHED_S, ELSEWHERE_S = 15.0, 60.0  # between two lines, on a terminal and in a log
_TRIED = 5  # newest runs looked at for how long the tests took


class Progress:
    """A plugin object of the process that controls the session; workers in parallel count together.

    clock: seconds, monotonic. runs: the folder of runs, for how long the same tests took before.
    """

    def __init__(self, config: pytest.Config, clock: Callable[[], float], runs: Path) -> None:
        self._config, self._clock, self._runs = config, clock, runs
        self._total: tuple[str, ...] = ()
        self._done: list[str] = []
        self._before: Mapping[str, float] = {}
        self._start = self._said = clock()

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        if session.items:
            self._begin([item.nodeid for item in session.items])

    @pytest.hookimpl(optionalhook=True)
    def pytest_xdist_node_collection_finished(self, node: Any, ids: list[str]) -> None:
        if not self._total:
            self._begin(ids)

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self._done.append(nodeid)
        reporter: Any = self._config.pluginmanager.get_plugin("terminalreporter")
        now = self._clock()
        left = len(self._total) - len(set(self._done))
        if reporter is None or left <= 0 or now - self._said < (WATCHED_S if reporter.isatty else ELSEWHERE_S):
            return
        from legtest.cli.progress import duration

        self._said = now
        reporter.ensure_newline()
        guess = time_left(self._total, self._done, self._before, now - self._start)
        done = len(self._total) - left
        reporter.write_line(f"legtest: {done} of {len(self._total)} tests, about {duration(guess)} left")

    def _begin(self, tests: list[str]) -> None:
        self._total = tuple(tests)
        self._start = self._said = self._clock()
        self._before = seconds_before(self._runs)


def time_left(total: tuple[str, ...], done: list[str], before: Mapping[str, float], elapsed_s: float) -> float:
    """Seconds that the others may take: as long as they took before, at the pace of those that have ended."""
    known = [before[test] for test in total if test in before]
    usual = max(0.05, sum(known) / len(known)) if known else 1.0
    ended = set(done)
    weights = [(max(0.05, before.get(test, usual)), test in ended) for test in total]
    finished = sum(weight for weight, there in weights if there)
    return elapsed_s * sum(weight for weight, there in weights if not there) / finished if finished else 0.0


def seconds_before(runs: Path) -> dict[str, float]:
    """How long each test took in the newest earlier run that can be read."""
    from legtest.records.journal import read_journal

    try:
        found = sorted(runs.glob("[0-9]*-[0-9]*/journal.jsonl"), reverse=True)[:_TRIED]
    except OSError:
        return {}
    for path in found:
        try:
            events = read_journal(path).events
        except RecordError:
            continue
        ends = [event.body for event in events if event.kind == "test_end"]
        seconds = {str(body.get("test")): body.get("seconds") for body in ends}
        known = {test: s for test, s in seconds.items() if isinstance(s, float) and s >= 0}
        if known:
            return known
    return {}
