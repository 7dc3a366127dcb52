"""The monitor's self-test finds a rule that has fallen asleep: each is put to sleep in turn."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from bench_leg import MS, Leg, make_setup

from legtest.canbus.frame import Frame
from legtest.errors import PrecheckRefused
from legtest.safety import limits, monitor, reading, selftest
from legtest.safety.monitor import MonitorState, initial
from legtest.safety.rules import Rules, rules_of
from legtest.safety.selftest import untripped_rules

SETUP = make_setup()
RULES = rules_of(SETUP)
SOURCE = "".join(Path(str(part.__file__)).read_text(encoding="utf-8") for part in (monitor, reading, limits))
NAMES = sorted(set(re.findall(r'(?:Reason|add)\("([a-z -]+)"', SOURCE)))
STEP = monitor.step
Passed = tuple[MonitorState, tuple[Frame, ...], tuple[monitor.Reason, ...]]


def without(rule: str) -> object:
    """monitor.step as it would be without one rule: no reason of that name, and no reaction if it was the only one."""

    def dozing(now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules) -> Passed:
        after, sent, reasons = STEP(now_ns, frames, state, rules)
        left = tuple(reason for reason in reasons if reason.rule != rule)
        if reasons and not left:
            return after._replace(reaction=None), (), ()
        return after, sent, left

    return dozing


def test_the_rules_of_the_monitor_are_known() -> None:
    """A rule added to the monitor has to be added to the self-test: 22 of them; "stop" is no rule but their end."""
    assert len(NAMES) == 23
    assert "stop" in NAMES


def test_awake_nothing_is_found() -> None:
    assert untripped_rules(initial(3, 0), RULES, SETUP) == []


@pytest.mark.parametrize("rule", [name for name in NAMES if name != "stop"])
def test_a_sleeping_rule_is_named(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(selftest, "step", without(rule))
    assert untripped_rules(initial(3, 0), RULES, SETUP) == [rule]


def test_a_monitor_that_stops_a_healthy_leg_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def nervous(now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules) -> Passed:
        after, sent, reasons = STEP(now_ns, frames, state, rules)
        return after, sent, reasons or (monitor.Reason("nerves", "", "", "", monitor.Reaction.OFF_NOW),)

    monkeypatch.setattr(selftest, "step", nervous)
    assert untripped_rules(initial(3, 0), RULES, SETUP) == ["a healthy leg is left alone"]


def test_a_reason_without_a_stop_is_not_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    def toothless(now_ns: int, frames: Sequence[Frame], state: MonitorState, rules: Rules) -> Passed:
        after, _, reasons = STEP(now_ns, frames, state, rules)
        return after._replace(reaction=None), (), reasons

    monkeypatch.setattr(selftest, "step", toothless)
    assert len(untripped_rules(initial(3, 0), RULES, SETUP)) == 22


def test_the_precheck_refuses_a_sleeping_monitor_before_any_power(monkeypatch: pytest.MonkeyPatch) -> None:
    leg = Leg()
    leg.wait(50 * MS)
    monkeypatch.setattr(selftest, "step", without("torque"))
    with pytest.raises(PrecheckRefused, match="'monitor self-test': no reaction of: torque") as caught:
        leg.precheck()
    assert not caught.value.powered
    assert leg.wire.energising() == []
