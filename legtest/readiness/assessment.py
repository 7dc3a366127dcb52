"""Grades: everything that is asked for is looked at, and every refusal is said at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.readiness.needs import Asked, Refusal, needs
from legtest.safety.port import PrecheckStep
from legtest.safety.setup import Setup
from legtest.signoff import SignOff

CLASSES = {Grade.LISTEN: 0, Grade.UNPOWERED: 0, Grade.TORQUE_CAPPED: 1, Grade.FREE_MOTION: 3}
UNATTENDED_CLASS = 1
LIFT_WITHOUT_CATCH_m = 0.05  # a fall of 1 m/s, which the lower block stops


class Found(NamedTuple):
    """What is known beyond the files. setup: of the leg on the bench; steps: what a scan of the unpowered leg passed,
    None = it was not scanned; refused: why the scan ended early, "" = it did not.
    """

    setup: Setup
    steps: tuple[PrecheckStep, ...] | None = None
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Readiness:
    """grade: reached. refusals: all of them, of every grade, the lowest first. step: the cheapest towards the next
    grade, "" at the highest. allowed_class: highest energy class of a test (0 none, 1 torque-capped, 2 free motion, 3
    impact or heat). lift_m: how high a carriage may be lifted off its block, None = as far as it goes.
    """

    grade: Grade
    refusals: tuple[Refusal, ...]
    step: str
    allowed_class: int
    lift_m: float | None


def assess(
    leg: LegDescription,
    bench: BenchDescription,
    signoff: SignOff | None,
    found: Found | None,
    *,
    more: Sequence[Refusal] = (),
) -> Readiness:
    """What a leg may do on a bench. Pure: nothing is opened, nobody is asked. more: refusals that others have found, in
    place of those of the same subject and grade. Without `found` the bench counts as not
    scanned, the joints' own speed limits are taken for allowed, and the drives are taken to stop by themselves.
    """
    torque = [joint.torque_Nm for joint in leg.joints]
    gentle = [min(joint.torque_Nm, joint.home.torque_Nm) for joint in leg.joints]
    speed, scanned, refused, stops = [joint.speed_rad_s for joint in leg.joints], False, "", True
    if found is not None:
        speed = [joint.speed_rad_s for joint in found.setup.joints]
        scanned, refused = found.steps is not None and not found.refused, found.refused
        stops = all(write is not None for write in found.setup.arm)
    asked = Asked(leg, bench, signoff, scanned, refused, stops, torque, gentle, speed)
    told = {(refusal.grade, refusal.subject) for refusal in more}
    own = [refusal for refusal in needs(asked) if (refusal.grade, refusal.subject) not in told]
    refusals = tuple(sorted([*own, *more], key=lambda refusal: (refusal.grade, refusal.effort)))
    blocked = min((refusal.grade for refusal in refusals), default=None)
    grade = Grade.FREE_MOTION if blocked is None else Grade(blocked - 1)
    attended = signoff is not None and signoff.attended
    most = CLASSES[grade] if attended else min(CLASSES[grade], UNATTENDED_CLASS)
    return Readiness(grade, refusals, _cheapest(refusals, blocked), most, lift_m(bench, signoff))


def lift_m(bench: BenchDescription, signoff: SignOff | None) -> float | None:
    """How high the carriage may be lifted off its block; None = as far as it goes, because it is caught."""
    if bench.interface == "simulated" or (signoff is not None and signoff.rehearsal):
        return None
    caught = bench.protection is not None and bench.protection.catch is not None
    seen = signoff is None or signoff.carriage == "caught"
    return None if caught and seen else LIFT_WITHOUT_CATCH_m


def _cheapest(refusals: Sequence[Refusal], grade: Grade | None) -> str:
    towards = [refusal for refusal in refusals if refusal.grade == grade]
    return min(towards, key=lambda refusal: refusal.effort).way_out if towards else ""


def capped(setup: Setup, grade: Grade) -> Setup:
    """The set-up with the torques a grade allows: below TORQUE_CAPPED none, there no more than each joint's contact
    torque, at FREE_MOTION the leg file's own.
    """
    if grade >= Grade.FREE_MOTION:
        return setup
    share = 1.0 if grade == Grade.TORQUE_CAPPED else 0.0
    caps = tuple(
        share * min(torque, joint.contact_torque_Nm)
        for torque, joint in zip(setup.torque_Nm, setup.joints, strict=True)
    )
    trial = tuple(min(torque, cap) for torque, cap in zip(setup.trial_torque_Nm, caps, strict=True))
    return replace(setup, torque_Nm=caps, trial_torque_Nm=trial)
