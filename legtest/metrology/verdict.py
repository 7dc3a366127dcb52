"""The five words a measurement can end in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from legtest.description.model import Limit
from legtest.metrology.measurement import Measurement


class Word(StrEnum):
    """pass, fail; inconclusive: cannot tell; invalid: the measurement went wrong; not run: something is missing."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    INVALID = "invalid"
    NOT_RUN = "not run"
    NO_LIMIT = "no limit set"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was decided about one measurement, by which rule, and what would settle an open one.

    p_conform: probability that the true value lies inside the limits (JCGM 106), None without limits.
    """

    measurement: Measurement
    limit: Limit | None
    rule: str
    word: Word
    p_conform: float | None
    settle: str = ""
