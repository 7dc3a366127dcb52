"""Judging: every measurement of a test against its limits, recorded at once, decided when the leg has stopped."""

from __future__ import annotations

from typing import Protocol

from legtest.description.model import LegDescription, Limit
from legtest.errors import (
    Inconclusive,
    Judged,
    LegFailed,
    MeasurementInvalid,
    NotJudged,
    UsageError,
)
from legtest.metrology.combine import expanded
from legtest.metrology.decision import decide
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.units import UnitError, parse, show

_WORST_FIRST = (Word.FAIL, Word.INVALID, Word.INCONCLUSIVE)


class VerdictLog(Protocol):
    """Where verdicts go: the part of a run's record."""

    def verdict(self, verdict: Verdict, /) -> None: ...


class Judge:
    """The `judge` fixture of one test.

    judge(*measurements) holds each against the leg file's criteria; judge(m, at_most="0.5 deg") against the limits
    given. Records and returns the verdicts; never raises because of one, so the leg is never stopped in mid-motion.
    """

    def __init__(self, leg: LegDescription, log: VerdictLog, test: str) -> None:
        self._leg, self._log, self._test = leg, log, test
        self.verdicts: list[Verdict] = []

    def __call__(
        self,
        *measurements: Measurement,
        at_most: str | None = None,
        at_least: str | None = None,
        between: tuple[str, str] | None = None,
    ) -> tuple[Verdict, ...]:
        """One verdict per measurement. Limits are texts with units; UsageError for one that is no such text."""
        verdicts = []
        for measurement in measurements:
            if not isinstance(measurement, Measurement):
                raise UsageError(
                    f"judge takes measurements, not {type(measurement).__name__}: make one with "
                    'measured("my quantity", value, u=..., unit="deg")'
                )
            limit = self._limit(measurement, at_most, at_least, between)
            verdict = decide(measurement, limit, self._leg.decision)
            self.verdicts.append(verdict)
            self._log.verdict(verdict)
            verdicts.append(verdict)
        return tuple(verdicts)

    def _limit(
        self, m: Measurement, at_most: str | None, at_least: str | None, between: tuple[str, str] | None
    ) -> Limit | None:
        if between is not None:
            at_least, at_most = between
        if at_most is None and at_least is None:
            return self._leg.criteria.limit(m.quantity, m.subject)
        return Limit(_bound(m, at_least), _bound(m, at_most), m.kind, self._test)

    def conclude(self) -> None:
        """Raise the worst of the verdicts: LegFailed, MeasurementInvalid, Inconclusive; NotJudged without any."""
        if not self.verdicts:
            raise NotJudged("this test judged nothing: give its measurements to the judge fixture")
        for word in _WORST_FIRST:
            found = [verdict for verdict in self.verdicts if verdict.word is word]
            if found:
                raise _CLASS[word]("\n".join(self.line(verdict) for verdict in found))

    @property
    def without_limits(self) -> bool:
        """Whether there were verdicts, and not one had a limit to be held against."""
        return bool(self.verdicts) and all(verdict.word is Word.NO_LIMIT for verdict in self.verdicts)

    def line(self, verdict: Verdict) -> str:
        """ "knee backlash 0.62 deg, U 0.05 deg, at most 0.5 deg (leg.yaml:97): fail" """
        m = verdict.measurement
        u = show(expanded(m, self._leg.decision.coverage), m.kind) if m.u == m.u else "unknown"
        parts = [f"{m.subject} {m.quantity.replace('_', ' ')} {show(m.value, m.kind)}", f"U {u}"]
        parts += [_limits(verdict.limit)] if verdict.limit else []
        tail = f"; {verdict.settle}" if verdict.settle else ""
        return f"{', '.join(parts)}: {verdict.word.value}{tail}"


_CLASS: dict[Word, type[Judged]] = {
    Word.FAIL: LegFailed,
    Word.INVALID: MeasurementInvalid,
    Word.INCONCLUSIVE: Inconclusive,
}


def _bound(m: Measurement, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return parse(text, m.kind)
    except UnitError as error:
        raise UsageError(f"limit of {m.quantity}: {error}") from None


def _limits(limit: Limit) -> str:
    if limit.low is None or limit.high is None:
        bound = limit.high if limit.low is None else limit.low
        word = "at most" if limit.low is None else "at least"
        return f"{word} {show(bound, limit.kind)} ({limit.where})" if bound is not None else "no limit set"
    return f"between {show(limit.low, limit.kind)} and {show(limit.high, limit.kind)} ({limit.where})"
