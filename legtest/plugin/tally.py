"""How the tests of a session ended, and the exit status that follows."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from legtest.plugin.outcomes import BENCH_ERROR, DECIDED_BY, ERROR, FAIL, NO_LIMIT, NOT_RUN, PASS, reported_word, worst

LEG = "leg"  # user property that names the leg of a test
REQUIRED = "leg_required"  # mark
_LONGEST_REASON = 4000


@dataclass
class Ended:
    """One test. seconds: all its phases on the wall clock. reason: why it did not pass, for people."""

    leg: str = ""
    words: list[str] = field(default_factory=list)
    seconds: float = 0.0
    reasons: list[str] = field(default_factory=list)
    required: bool = False

    @property
    def word(self) -> str:
        return worst(self.words)

    @property
    def reason(self) -> str:
        return "; ".join(dict.fromkeys(self.reasons))[:_LONGEST_REASON]


class Tally:
    """Filled report by report, in the process that controls the session."""

    def __init__(self) -> None:
        self._tests: dict[str, Ended] = {}

    def add(self, report: pytest.TestReport) -> None:
        test = self._tests.setdefault(report.nodeid, Ended())
        test.seconds += report.duration
        test.required = test.required or REQUIRED in report.keywords
        test.leg = next((value for name, value in _properties(report) if name == LEG), test.leg)
        if report.when == "call" or not report.passed:
            test.words.append(reported_word(report))
            if not report.passed and not (report.when == "call" and (DECIDED_BY, "verdict") in _properties(report)):
                test.reasons.append(_reason(report).removeprefix(f"{test.words[-1]}: "))

    @property
    def tests(self) -> dict[str, Ended]:
        """The tests that have ended, by id."""
        return {name: test for name, test in self._tests.items() if test.words}

    @property
    def missing(self) -> list[str]:
        """Tests that the suite requires and that did not judge the leg."""
        return [name for name, t in self.tests.items() if t.required and t.word in (NOT_RUN, NO_LIMIT)]

    def exit_status(self, status: int) -> int:
        """pytest's exit status, made finer.

        0: nothing wrong. 1: a leg or a test failed, or a required test did not judge. 10: inconclusive or invalid.
        11: the bench failed, or a test judged nothing. Others (interrupted, usage, no tests, ...) stay pytest's own.
        """
        if status not in (0, 1):
            return status
        words = {test.word for test in self.tests.values()}
        if words & {FAIL, ERROR} or self.missing:
            return 1
        if words & {BENCH_ERROR, "not judged"}:
            return 11
        if words - {PASS, NOT_RUN, NO_LIMIT}:
            return 10
        return status


def _properties(report: pytest.TestReport) -> list[tuple[str, str]]:
    return [(name, str(value)) for name, value in report.user_properties]  # lists, when they come from a worker


def _reason(report: pytest.TestReport) -> str:
    if isinstance(report.longrepr, tuple):
        return str(report.longrepr[2]).removeprefix("Skipped: ")
    crash = getattr(report.longrepr, "reprcrash", None)
    text = str(crash.message) if crash else report.longreprtext
    return text.strip().removeprefix("Failed: ")
