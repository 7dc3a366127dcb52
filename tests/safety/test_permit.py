"""The right to move: what a key is worth is known to the ledger that issued it, and to nobody else."""

from __future__ import annotations

import os
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.errors import NotPermitted
from legtest.safety.permit import TRIAL_NS, Grant, Ledger, Permit

ALL = Grant("motion", (0, 1, 2), (18.0, 18.0, 18.0), 1000)


def test_a_key_is_worth_its_grant_until_it_ends() -> None:
    ledger = Ledger()
    key = ledger.issue(ALL, 0)
    assert ledger.grant(key, 0) is ALL
    assert ledger.grant(key, 999) is ALL
    with pytest.raises(NotPermitted, match="the motion permit has ended; the pre-check must run again"):
        ledger.grant(key, 1000)


def test_before_any_precheck_nothing_is_permitted() -> None:
    with pytest.raises(NotPermitted, match="no pre-check has passed"):
        Ledger().grant(Permit(b"0" * 16, "motion"), 0)


@pytest.mark.parametrize("key", [None, "yes", b"0" * 16, 1, ("token", "motion"), object(), Permit(b"", "motion")])
def test_what_is_no_key_opens_nothing(key: Any) -> None:
    ledger = Ledger()
    ledger.issue(ALL, 0)
    with pytest.raises(NotPermitted):
        ledger.grant(key, 0)


@given(st.binary(max_size=32))
def test_a_guessed_key_opens_nothing(token: bytes) -> None:
    ledger = Ledger()
    ledger.issue(ALL, 0)
    with pytest.raises(NotPermitted):
        ledger.grant(Permit(token, "motion"), 0)


def test_a_key_of_another_ledger_opens_nothing() -> None:
    with pytest.raises(NotPermitted):
        Ledger().grant(Ledger().issue(ALL, 0), 0)


def test_a_void_key_is_never_revived_and_says_why() -> None:
    ledger = Ledger()
    old = ledger.issue(ALL, 0)
    ledger.revoke("torque, knee: 20.00 N*m, allowed 9.00 N*m")
    with pytest.raises(NotPermitted, match="the permit is void: torque, knee"):
        ledger.grant(old, 0)
    new = ledger.issue(ALL, 0)
    assert ledger.grant(new, 0) is ALL
    with pytest.raises(NotPermitted):
        ledger.grant(old, 0)


def test_two_keys_are_different() -> None:
    ledger = Ledger()
    assert len({ledger.issue(ALL, 0).token for _ in range(100)}) == 100


def test_the_word_on_a_key_changes_nothing() -> None:
    """A trial key that calls itself a motion key is worth its trial."""
    ledger = Ledger()
    trial = ledger.issue(Grant("trial", (1,), (2.7,) * 3, 500), 0)
    assert ledger.grant(Permit(trial.token, "motion"), 0).kind == "trial"


@pytest.mark.parametrize(
    ("axes", "length_ns"), [((0, 1), 1000), ((), 1000), ((0, 1, 2), TRIAL_NS), ((0,), TRIAL_NS + 1)]
)
def test_a_trial_is_one_axis_for_two_seconds(axes: tuple[int, ...], length_ns: int) -> None:
    now = 7_000_000_000
    with pytest.raises(NotPermitted, match="one axis for two seconds"):
        Ledger().issue(Grant("trial", axes, (2.7,) * 3, now + length_ns), now)


def test_a_trial_of_one_axis_and_two_seconds_is_issued() -> None:
    grant = Grant("trial", (2,), (2.7,) * 3, TRIAL_NS)
    ledger = Ledger()
    assert ledger.grant(ledger.issue(grant, 0), TRIAL_NS - 1) is grant


def test_a_forked_process_is_refused() -> None:
    ledger = Ledger()
    key = ledger.issue(ALL, 0)
    ask, tell = os.pipe()
    child = os.fork()
    if not child:  # nothing here may raise: the child must never come back into pytest
        try:
            ledger.grant(key, 0)
            answer = "granted"
        except NotPermitted as error:
            answer = str(error)
        except BaseException as error:  # noqa: BLE001
            answer = repr(error)
        os.write(tell, answer.encode())
        os._exit(0)
    os.waitpid(child, 0)
    os.close(tell)
    with os.fdopen(ask) as answers:
        assert answers.read() == "this process is a copy of the one that passed the pre-check"
    assert ledger.grant(key, 0) is ALL
