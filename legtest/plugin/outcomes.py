"""How a test ended, in one word: which exception gives which word, and what pytest makes of it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from legtest.errors import (
    Inconclusive,
    Judged,
    LegFailed,
    LegtestError,
    MeasurementInvalid,
    NotJudged,
    NotPermitted,
    NotRun,
    UsageError,
)

WORD = "legtest"  # user property that carries the word of a test
TEARDOWN_WORD = "legtest_teardown"  # and of a teardown that went wrong after it
DECIDED_BY = "legtest_decided_by"  # "verdict" when it was the worst verdict that ended the test
PASS, FAIL, ERROR, NOT_RUN, NO_LIMIT, BENCH_ERROR = "pass", "fail", "error", "not run", "no limit set", "bench error"

# exception -> word, pytest's outcome, its letter; from the most special to the most general
_ENDINGS: tuple[tuple[type[LegtestError], str, str, str], ...] = (
    (LegFailed, FAIL, "failed", "F"),
    (Inconclusive, "inconclusive", "failed", "I"),
    (MeasurementInvalid, "invalid", "error", "V"),
    (NotJudged, "not judged", "error", "J"),
    (NotRun, NOT_RUN, "skipped", "s"),
    (Judged, FAIL, "failed", "F"),
    (UsageError, ERROR, "error", "E"),
    (NotPermitted, ERROR, "error", "E"),
    (LegtestError, BENCH_ERROR, "error", "B"),
)
_SHOWN = {word: (outcome, letter, word.upper()) for _, word, outcome, letter in _ENDINGS}
_SHOWN[NO_LIMIT] = ("no_limit", "n", NO_LIMIT.upper())  # a category of its own: pytest skips it, but it was run
_WORST_FIRST = (BENCH_ERROR, ERROR, FAIL, "invalid", "inconclusive", "not judged", NOT_RUN, NO_LIMIT, PASS)


def word_of(error: LegtestError) -> str:
    """The word of a test that an exception of ours has ended."""
    return next(word for kind, word, _, _ in _ENDINGS if isinstance(error, kind))


def exception_of(word: str, message: str) -> BaseException:
    """What pytest is told instead: no traceback, the word first."""
    if word in (NOT_RUN, NO_LIMIT):
        return pytest.skip.Exception(f"{word}: {message}", _use_item_location=True)
    return pytest.fail.Exception(f"{word}: {message}", pytrace=False)


def shown(report: pytest.TestReport) -> tuple[str, str, str] | None:
    """Category, letter and verbose word of a report that has a word of ours."""
    word = _marked(report)
    if word is None or (report.passed and report.when != "call"):
        return None
    return _SHOWN.get(word)


def reported_word(report: pytest.TestReport) -> str:
    """The word of one phase of a test."""
    marked = _marked(report)
    if marked is not None:
        return marked
    if report.when == "call" and report.failed:
        return FAIL  # the test's own assertion
    return {"passed": PASS, "skipped": NOT_RUN}.get(report.outcome, ERROR)


def worst(words: Sequence[str]) -> str:
    """The one word that decides."""
    return min(words, key=_WORST_FIRST.index)


def _marked(report: pytest.TestReport) -> str | None:
    name = TEARDOWN_WORD if report.when == "teardown" else WORD
    return next((str(value) for key, value in report.user_properties if key == name), None)
