"""Every attempt of the hazard table, and how its times become rows."""

from __future__ import annotations

from typing import Any

import hazards_bus
import hazards_drive
import hazards_host
import hazards_leg
import hazards_precheck
from hazards_attempt import Attempt, Outcome

from legtest.campaign.observer import StopTimes

ATTEMPTS: tuple[Attempt, ...] = (
    *hazards_precheck.ATTEMPTS,
    *hazards_bus.ATTEMPTS,
    *hazards_drive.ATTEMPTS,
    *hazards_leg.ATTEMPTS,
    *hazards_host.ATTEMPTS,
)


def unseen(stop: StopTimes) -> bool:
    """Whether no stop frame belongs to the violation: none was sent, or it came at the end of a lowering."""
    return stop.quick_stop_ns is None or stop.expected == "lower"


def rows(outcome: Outcome) -> list[dict[str, Any]]:
    """One row for each stop that was timed: spans since the violation, in ns."""
    return [
        {
            "attempt": outcome.name,
            "rate_hz": outcome.rate_hz,
            "seed": outcome.seed,
            "expected": stop.expected,
            "quick_stop_ns": None if unseen(stop) else (stop.quick_stop_ns or 0) - stop.violation_ns,
            "power_off_ns": None if stop.power_off_ns is None else stop.power_off_ns - stop.violation_ns,
            "quick_stop_budget_ns": stop.quick_stop_budget_ns,
            "power_off_budget_ns": stop.power_off_budget_ns,
        }
        for stop in outcome.stops
    ]
