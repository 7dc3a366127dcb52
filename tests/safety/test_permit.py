"""The right to move: what a key is worth is known to the ledger that issued it, and to nobody else."""

from __future__ import annotations

import copy
import os
import pickle
from dataclasses import replace
from typing import Any

import pytest
from bench_leg import S, make_setup
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from legtest.errors import NotPermitted
from legtest.safety.permit import TRIAL_NS, Grant, Ledger, Permit

SETUP = replace(make_setup(), permit_ns=5000)
CAPS = SETUP.torque_Nm
TRIAL_CAPS = SETUP.trial_torque_Nm
ALL = Grant("motion", (0, 1, 2), CAPS, 1000)


def ledger_with(*grants: Grant, now_ns: int = 0) -> tuple[Ledger, list[Permit]]:
    """A ledger whose pre-check has passed and issued these."""
    ledger = Ledger(SETUP)
    with ledger.precheck():
        keys = [ledger.issue(grant, now_ns) for grant in grants]
    return ledger, keys


def test_a_key_is_worth_its_grant_until_it_ends() -> None:
    ledger, (key,) = ledger_with(ALL)
    assert ledger.grant(key, 0) is ALL
    assert ledger.grant(key, 999) is ALL
    with pytest.raises(NotPermitted, match="the motion permit has ended; the pre-check must run again"):
        ledger.grant(key, 1000)
    assert ledger.live, "its end time apart"


def test_before_any_precheck_nothing_is_permitted() -> None:
    ledger = Ledger(SETUP)
    assert not ledger.live
    assert ledger.generation == 0
    with pytest.raises(NotPermitted, match=r"^no pre-check has passed$"):
        ledger.grant(Permit(b"0" * 16, "motion"), 0)
    ledger.revoke("a fault, long before")
    with pytest.raises(NotPermitted, match=r"^no pre-check has passed$"):
        ledger.grant(Permit(b"0" * 16, "motion"), 0)


class Subclassed(Permit):
    """Somebody's own key."""


@pytest.mark.parametrize(
    "key",
    [None, "yes", b"0" * 16, 1, ("token", "motion"), object(), Permit(b"", "motion"), Permit([], "motion"),  # type: ignore[arg-type]
     Permit(None, "motion")],  # type: ignore[arg-type]
)  # fmt: skip
def test_what_is_no_key_opens_nothing(key: Any) -> None:
    ledger, _ = ledger_with(ALL)
    with pytest.raises(NotPermitted, match="no pre-check has passed"):
        ledger.grant(key, 0)


def test_a_key_of_another_class_with_the_right_token_opens_nothing() -> None:
    class Bytes(bytes):
        pass

    ledger, (key,) = ledger_with(ALL)
    for forged in (
        Subclassed(key.token, key.kind), (key.token, key.kind), Permit(Bytes(key.token), "motion"),
        Permit(bytearray(key.token), "motion"), Permit(key.token.hex(), "motion"),  # type: ignore[arg-type]
    ):  # fmt: skip
        with pytest.raises(NotPermitted):
            ledger.grant(forged, 0)


@pytest.mark.parametrize("copied", [copy.copy, copy.deepcopy, pickle.dumps])
def test_a_key_is_neither_copied_nor_pickled(copied: Any) -> None:
    _, (key,) = ledger_with(ALL)
    with pytest.raises(TypeError, match=r"^a permit is neither copied nor pickled$"):
        copied(key)


@given(st.binary(max_size=32))
def test_a_guessed_key_opens_nothing(token: bytes) -> None:
    ledger, _ = ledger_with(ALL)
    with pytest.raises(NotPermitted):
        ledger.grant(Permit(token, "motion"), 0)


def test_a_key_of_another_ledger_opens_nothing() -> None:
    _, (key,) = ledger_with(ALL)
    with pytest.raises(NotPermitted):
        Ledger(SETUP).grant(key, 0)


def test_a_void_key_is_never_revived_and_says_why() -> None:
    ledger, (old,) = ledger_with(ALL)
    generation = ledger.generation
    ledger.revoke("torque, knee: 20.00 N*m, allowed 9.00 N*m")
    ledger.revoke("what came after it")
    assert ledger.generation == generation + 2
    assert not ledger.live
    with pytest.raises(NotPermitted, match="the permit is void: torque, knee"):
        ledger.grant(old, 0)
    with ledger.precheck():
        new = ledger.issue(ALL, 0)
    assert ledger.grant(new, 0) is ALL
    with pytest.raises(NotPermitted):
        ledger.grant(old, 0)


def test_two_keys_are_different_and_long() -> None:
    _, keys = ledger_with(*[ALL] * 100)
    assert len({key.token for key in keys}) == 100
    assert {len(key.token) for key in keys} == {16}
    assert {key.kind for key in keys} == {"motion"}


def test_a_key_that_says_it_is_another_is_refused() -> None:
    ledger = Ledger(SETUP)
    with ledger.precheck():
        trial = ledger.issue(Grant("trial", (1,), TRIAL_CAPS, 500), 0)
        assert ledger.grant(trial, 0).kind == "trial"
        with pytest.raises(NotPermitted, match="another than the trial permit"):
            ledger.grant(Permit(trial.token, "motion"), 0)


# ---------------------------------------------------------------------- issuing


@pytest.mark.parametrize(("axes", "length_ns"), [((0, 1), 1000), ((), 1000), ((0, 1, 2), 1000), ((0,), TRIAL_NS + 1)])
def test_a_trial_is_one_axis_for_two_seconds(axes: tuple[int, ...], length_ns: int) -> None:
    now = 7_000_000_000
    ledger = Ledger(replace(SETUP, permit_ns=10 * S))
    with ledger.precheck():
        with pytest.raises(NotPermitted, match=r"^a trial permit covers one axis for two seconds at most$"):
            ledger.issue(Grant("trial", axes, TRIAL_CAPS, now + length_ns), now)
        ledger.issue(Grant("trial", (2,), TRIAL_CAPS, now + TRIAL_NS), now)


@pytest.mark.parametrize(("kind", "caps"), [("trial", TRIAL_CAPS), ("motion", CAPS)])
def test_no_permit_is_for_more_torque_than_its_kind_allows(kind: Any, caps: tuple[float, ...]) -> None:
    ledger = Ledger(SETUP)
    with ledger.precheck():
        for index in range(3):
            more = tuple(cap + 1e-6 * (i == index) for i, cap in enumerate(caps))
            with pytest.raises(NotPermitted, match=f"a {kind} permit caps the torques"):
                ledger.issue(Grant(kind, (1,), more, 1000), 0)
        with pytest.raises(NotPermitted, match="caps the torques"):
            ledger.issue(Grant(kind, (1,), caps[:2], 1000), 0)
        ledger.issue(Grant(kind, (1,), caps, 1000), 0)
        ledger.issue(Grant(kind, (1,), tuple(cap / 2 for cap in caps), 1000), 0)


def test_no_permit_lasts_longer_than_the_set_up_says() -> None:
    ledger = Ledger(SETUP)
    with ledger.precheck():
        with pytest.raises(NotPermitted, match="a permit lasts 5e-06 s at most"):
            ledger.issue(ALL._replace(end_ns=5101), 100)
        ledger.issue(ALL._replace(end_ns=5100), 100)


def test_outside_a_precheck_nothing_is_issued() -> None:
    ledger = Ledger(SETUP)
    for kind, caps in (("trial", TRIAL_CAPS), ("motion", CAPS)):
        grant = Grant(kind, (1,), caps, 1000)  # type: ignore[arg-type]
        with pytest.raises(NotPermitted, match="issued by a running pre-check alone"):
            ledger.issue(grant, 0)
        with ledger.precheck():
            ledger.issue(grant, 0)
        with pytest.raises(NotPermitted, match="issued by a running pre-check alone"):
            ledger.issue(grant, 0)


def test_a_trial_does_not_outlast_its_precheck_and_a_motion_permit_does() -> None:
    ledger, (trial, motion) = ledger_with(Grant("trial", (2,), TRIAL_CAPS, 900), ALL)
    assert ledger.grant(motion, 0) is ALL
    with pytest.raises(NotPermitted):
        ledger.grant(trial, 0)


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_a_precheck_that_is_cut_short_leaves_nothing(error: type[BaseException]) -> None:
    ledger = Ledger(SETUP)
    keys: list[Permit] = []

    def cut() -> None:
        with ledger.precheck():
            keys.append(ledger.issue(ALL, 0))
            raise error

    with pytest.raises(error):
        cut()
    (key,) = keys
    with pytest.raises(NotPermitted, match="the permit is void: the pre-check did not pass"):
        ledger.grant(key, 0)
    with pytest.raises(NotPermitted, match="issued by a running"):
        ledger.issue(ALL, 0)


def test_a_new_precheck_voids_what_was_issued_before() -> None:
    ledger, (key,) = ledger_with(ALL)
    with ledger.precheck(), pytest.raises(NotPermitted, match="the permit is void: a new pre-check has begun"):
        ledger.grant(key, 0)
    with pytest.raises(NotPermitted, match="a new pre-check has begun"):
        ledger.grant(key, 0)


class Life(RuleBasedStateMachine):
    """Keys in any order of events, against this machine's own book-keeping: one set of what is alive, and its end."""

    def __init__(self) -> None:
        super().__init__()
        self.ledger, self.now = Ledger(SETUP), 0
        self.keys: list[Permit] = []
        self.alive: dict[bytes, int] = {}

    @rule(passes=st.booleans(), lasts=st.integers(1, 5000), at=st.integers(0, 5000))
    def precheck(self, passes: bool, lasts: int, at: int) -> None:
        self.alive = {}
        try:
            with self.ledger.precheck():
                trial = self.ledger.issue(Grant("trial", (0,), TRIAL_CAPS, self.now + lasts), self.now)
                key = self.ledger.issue(Grant("motion", (0, 1, 2), CAPS, self.now + lasts), self.now)
                assert self.ledger.grant(trial, self.now).kind == "trial"
                if not passes:
                    raise ValueError
            self.alive[key.token] = self.now + lasts
        except ValueError:
            pass
        self.keys += [trial, key]

    @rule()
    def revoke(self) -> None:
        self.ledger.revoke("any reason")
        self.alive = {}

    @rule(ns=st.integers(0, 3000))
    def time_passes(self, ns: int) -> None:
        self.now += ns

    @rule()
    def issue(self) -> None:
        with pytest.raises(NotPermitted):
            self.ledger.issue(ALL, self.now)

    @invariant()
    def exactly_the_living_are_granted(self) -> None:
        for key in self.keys:
            living = self.alive.get(key.token, 0) > self.now
            try:
                assert self.ledger.grant(key, self.now).end_ns == self.alive[key.token]
            except NotPermitted:
                assert not living
            else:
                assert living


Life.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestLife = Life.TestCase


def test_a_forked_process_is_refused() -> None:
    ledger, (key,) = ledger_with(ALL)
    ask, tell = os.pipe()
    child = os.fork()
    if not child:  # nothing here may raise: the child must never come back into pytest
        answer = ""
        for attempt in (lambda: ledger.grant(key, 0), lambda: _issue(ledger)):
            try:
                attempt()
                answer += "granted;"
            except NotPermitted as error:
                answer += f"{error};"
            except BaseException as error:  # noqa: BLE001
                answer += repr(error)
        os.write(tell, answer.encode())
        os._exit(0)
    os.waitpid(child, 0)
    os.close(tell)
    with os.fdopen(ask) as answers:
        assert answers.read() == (
            "this process is a copy of the one that passed the pre-check;"
            "permits are issued by a running pre-check alone;"
        )
    assert ledger.grant(key, 0) is ALL


def _issue(ledger: Ledger) -> Permit:
    with ledger.precheck():
        return ledger.issue(ALL, 0)
