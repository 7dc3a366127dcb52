"""Each hazard that simulation can show, as one attempt: the wire observer's proof, and the proof that it can fail."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from hazards_attempt import Attempt, carry_out
from hazards_table import ATTEMPTS, rows

SEEDS = (1, 2)
CASES = [pytest.param(attempt, rate, id=f"{attempt.name}-{rate:.0f}") for attempt in ATTEMPTS for rate in attempt.rates]


@pytest.mark.parametrize(("attempt", "rate_hz"), CASES)
def test_the_leg_is_safe(attempt: Attempt, rate_hz: float, hostile_table: Callable[..., None]) -> None:
    for seed in SEEDS:
        outcome = carry_out(attempt, rate_hz, seed)
        assert outcome.broken == ()
        assert re.search(attempt.says, outcome.words), outcome.words
        assert not outcome.on_at_end
        assert outcome.stops or not attempt.stops
        for row in rows(outcome):
            hostile_table(**row)


@pytest.mark.parametrize(("attempt", "rate_hz"), CASES)
def test_without_its_defence_an_invariant_breaks(
    attempt: Attempt, rate_hz: float, hostile_table: Callable[..., None]
) -> None:
    outcome = carry_out(attempt, rate_hz, SEEDS[0], defended=False)
    assert re.search(attempt.breaks, "\n".join(outcome.broken)), outcome.words
    hostile_table(attempt=attempt.name, broke_without_defence=outcome.broken[:3])


def test_the_table_names_each_attempt_once() -> None:
    names = [attempt.name for attempt in ATTEMPTS]
    assert len(names) == len(set(names)) >= 40
