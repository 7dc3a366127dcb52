"""Hazards that a person finds unpowered, and those of the stand: refused before power, granted without the check."""

from __future__ import annotations

from contextlib import ExitStack
from math import pi
from typing import Any, NamedTuple
from unittest.mock import patch

import pytest
from hazards_bench import energises

from legtest.canbus.frame import SENT, Frame
from legtest.cli.played import PlayedPerson
from legtest.description.grade import Grade
from legtest.description.model import LegDescription
from legtest.errors import NotRun, PrecheckRefused
from legtest.guard import EnergyOrder
from legtest.readiness import needs
from legtest.signoff import walk
from legtest.signoff.walk import Task
from tests.readiness.test_grades import FENCED, protection_of, ready
from tests.signoff.walking import LEG, Bench, with_drives


class AtHand(NamedTuple):
    """The leg file against the leg, or the person against the button. says: what the refusal must match."""

    name: str
    said: LegDescription
    says: str
    person: type[PlayedPerson] = PlayedPerson


class Unwired(PlayedPerson):
    """Presses an emergency stop that is connected to nothing."""

    def begin(self, task: Task) -> None:
        if task.kind not in ("press", "release"):
            super().begin(task)


HIP, KNEE = (LEG.joint(name).drive for name in ("hip", "knee"))
AT_HAND = (
    AtHand(
        "plugs of hip and knee swapped",
        with_drives(LEG, hip={"node": 3, "serial": 4103}, knee={"node": 2, "serial": 4102}),
        "moved when the knee was moved by hand: swapped",
    ),
    AtHand("sign of the knee", with_drives(LEG, knee={"sign": -KNEE.sign}), "the wrong sign"),
    AtHand("gear ten per cent off", with_drives(LEG, hip={"counts_per_turn": 1.1 * HIP.counts_per_turn}), "gear or"),
    AtHand(
        "degrees for radians",
        with_drives(LEG, hip={"counts_per_turn": HIP.counts_per_turn * pi / 180}),
        "degrees taken",
    ),
    AtHand("emergency stop not connected", LEG, "no change on the bus", Unwired),
)  # fmt: skip


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(walk, "PATIENCE_NS", 5_000_000_000)
    monkeypatch.setattr(walk, "STOP_PATIENCE_NS", 2_000_000_000)


def walked(attempt: AtHand) -> tuple[Bench, list[Frame], str]:
    """The bench after the walk, everything that was on the wire, and why it was refused ("" = it was not)."""
    bench = Bench(said=attempt.said, person=attempt.person)
    wire: list[Frame] = []
    bench.rig.bus.attach(lambda frame: wire.append(frame._replace(flags=SENT)))
    try:
        bench.walk.run()
    except PrecheckRefused as error:
        return bench, wire, str(error)
    return bench, wire, ""


@pytest.mark.parametrize("attempt", AT_HAND, ids=lambda attempt: attempt.name)
def test_it_is_found_by_hand_and_nothing_was_energised(attempt: AtHand) -> None:
    bench, wire, refusal = walked(attempt)
    assert attempt.says in refusal
    assert "no power was applied" in refusal
    assert wire
    assert [frame for frame in wire if energises(frame)] == []
    assert not any(axis.powered for axis in bench.rig.axes)


@pytest.mark.parametrize("attempt", AT_HAND, ids=lambda attempt: attempt.name)
def test_without_looking_at_the_evidence_it_would_be_signed_off(attempt: AtHand) -> None:
    with ExitStack() as blind:
        blind.enter_context(patch.object(walk, "wrong_moves", lambda *seen: iter(())))
        blind.enter_context(patch.object(walk, "wrong_stop", lambda *seen: iter(())))
        blind.enter_context(patch.object(walk.Walk, "_until", lambda self, step, done: None))
        bench, _, refusal = walked(attempt)
    assert refusal == ""
    assert bench.walk.grade > Grade.UNPOWERED


class OfStand(NamedTuple):
    """A line of the bench file that makes it unfit for free motion. check: the function that refuses it."""

    name: str
    lines: dict[str, Any]
    check: str
    says: str


def line(name: str, **changes: Any) -> dict[str, Any]:
    return {name: getattr(protection_of(FENCED), name)._replace(**changes)}


OF_STAND = (
    OfStand("the leg falls: nothing catches it", {"catch": None}, "_carriage", "something that catches the carriage"),
    OfStand("the catch is too weak", line("catch", stretch_m=0.002), "_carriage", "when it stops a falling carriage"),
    OfStand("the stand tips", line("anchorage", rated_moment_Nm=20.0), "_anchorage", "Bolt the stand down"),
    OfStand("braking energy has no place", line("braking", clamp_power_W=None), "_braking", "at the allowed speed"),
    OfStand("hands can reach in", line("fence", closed=False), "_people", "Close the fence"),
    OfStand("the emergency stop lets go", line("emergency_stop", latching=False), "_emergency_stop", "momentary"),
)


def jump(allowed_class: int) -> None:
    """A test of energy class 2 is about to begin on a bench that is permitted so much. Raises NotRun."""
    order = EnergyOrder()
    order.allowed = allowed_class
    order.begin(2, "a jump")


@pytest.mark.parametrize("attempt", OF_STAND, ids=lambda attempt: attempt.name)
def test_the_stand_is_refused_before_power(attempt: OfStand) -> None:
    found = ready(**attempt.lines)
    assert found.grade < Grade.FREE_MOTION
    assert attempt.says in "\n".join(map(str, found.refusals))
    with pytest.raises(NotRun):
        jump(found.allowed_class)


@pytest.mark.parametrize("attempt", OF_STAND, ids=lambda attempt: attempt.name)
def test_without_the_check_it_would_be_let_through(attempt: OfStand) -> None:
    with patch.object(needs, attempt.check, lambda *asked: iter(())):
        found = ready(**attempt.lines)
    assert found.grade is Grade.FREE_MOTION
    jump(found.allowed_class)


def test_without_a_catch_the_carriage_is_hardly_lifted() -> None:
    """The height of a fall is bounded where nothing catches it: 50 mm are 1.0 m/s."""
    assert ready(catch=None).lift_m == pytest.approx(0.05)
    assert ready().lift_m is None
