"""A few kills of rehearsed live runs; the campaign beside this file makes a hundred."""

from __future__ import annotations

import pytest
from kill_campaign import campaign


@pytest.mark.slow
def test_a_killed_run_leaves_a_leg_without_torque_and_a_readable_record() -> None:
    outcomes = campaign(kills=4, seed=3, parallel=2)
    assert [outcome.problem for outcome in outcomes] == [""] * 4
    assert any(outcome.powered for outcome in outcomes)
