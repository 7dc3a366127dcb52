"""The pre-check: ordered steps that earn the right to move. It refuses, it never warns.

It runs on the loop's side, beside the ledger; a host only asks for it. Steps that need a person (emergency stop seen,
each joint moved by hand) belong to the sign-off, not here. A step that a drive cannot take part in says what stands in
for it, and what is lost by that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from legtest.canbus.wiremap import Reaction
from legtest.errors import DriveError, LegStopped, LegtestError, NotPermitted
from legtest.safety.loop import Loop
from legtest.safety.permit import TRIAL_NS, Grant, Permit
from legtest.safety.port import PrecheckReport, PrecheckStep
from legtest.safety.refuse import refuse
from legtest.safety.rules import rules_of
from legtest.safety.setup import SPEED_MARGIN_RAD, allowed_speed
from legtest.safety.trial import loss_energised, quick_stop, trial
from legtest.safety.unpowered import LOSS_SLACK_NS, UNPOWERED

TRIAL_FOLLOWING_RAD = 0.08  # a wrong sign runs away: it is cut off well before the limit that motion has


def run_precheck(loop: Loop) -> PrecheckReport:
    """Every step in order. Raises PrecheckRefused with step, value, expected and likely cause; LinkError."""
    begun = loop.link.now_ns()
    with loop.ledger.precheck():
        steps = _prepared(loop)
        for axis in range(len(loop.setup.axes)):
            steps += [_powered(loop, axis, step) for step in (trial, loss_energised, quick_stop)]
        steps.append(_allow(loop, steps))
        now = loop.link.now_ns()
        everything = tuple(range(len(loop.setup.axes)))
        grant = Grant("motion", everything, loop.setup.torque_Nm, now + loop.setup.permit_ns)
        loop.looked_ns = now
        return PrecheckReport(tuple(steps), now - begun, loop.ledger.issue(grant, now), grant.end_ns)


def run_scan(loop: Loop) -> tuple[PrecheckStep, ...]:
    """The steps without power, for a sign-off; no permit is issued, and older ones are void. Raises PrecheckRefused."""
    with loop.ledger.precheck():
        return tuple(_prepared(loop))


def _prepared(loop: Loop) -> list[PrecheckStep]:
    """The unpowered steps, on a loop that has forgotten what stopped it earlier."""
    if loop.unconfirmed and not _off_after_all(loop):
        refuse(
            "drives off", "a drive has never confirmed that it is off", "every drive off, in its own words",
            "a stop that was not obeyed: switch the drives' supply off and on, with everybody clear of the leg",
            powered=True,
        )  # fmt: skip
    if loop.powered:
        raise NotPermitted("the pre-check begins with the power off")
    if loop.unrecorded:
        refuse("set-up", "frames are not recorded any more", "every frame recorded", "the disk is full: open it anew")
    loop.begin_anew()
    loop.rules = rules_of(loop.setup)
    loop.configuring = True
    try:
        return [_unpowered(loop, name, step) for name, step in UNPOWERED.items()]
    finally:
        loop.configuring = False
        loop.beating = False


def _off_after_all(loop: Loop) -> bool:
    try:
        return loop.prove_off()
    except (DriveError, NotPermitted):
        return False


def _unpowered(loop: Loop, name: str, step: Callable[[Loop], PrecheckStep]) -> PrecheckStep:
    """One step without power; an objection of the monitor, or of a drive, is a refusal as well."""
    try:
        result = step(loop)
    except (DriveError, NotPermitted) as error:
        refuse(
            name, str(error), "every drive answers as it should",
            "a drive that lost its supply or its connection meanwhile", by=error,
        )  # fmt: skip
    except LegtestError:
        raise
    except Exception as error:  # noqa: BLE001
        value = f"{type(error).__name__}: {error}"
        refuse(name, value, "a step without an exception", "a fault in this program; do not use it", by=error)
    if loop.reasons:
        refuse(
            name, "; ".join(map(str, loop.reasons)), "nothing that would stop a leg",
            "another program on the bus, or a drive that restarted or reported a fault",
        )  # fmt: skip
    return result


def _powered(loop: Loop, axis: int, step: Callable[[Loop, int, Permit], PrecheckStep]) -> PrecheckStep:
    """One step under a trial permit; whatever happens, the power is off afterwards.

    What does not go as it should is answered by taking the power away at once: whether the feedback can be trusted,
    which braking needs, is what a trial is to find out.
    """
    loop.settle()  # before the permit's two seconds begin
    now, rules = loop.link.now_ns(), loop.rules
    key = loop.ledger.issue(Grant("trial", (axis,), loop.setup.trial_torque_Nm, now + TRIAL_NS), now)
    loop.rules = replace(rules, following_rad=min(TRIAL_FOLLOWING_RAD, rules.following_rad))
    end = Reaction.OFF_NOW
    try:
        loop.energise(key)
        result = step(loop, axis, key)
        end = Reaction.STOP_THEN_OFF
    except (LegStopped, DriveError, NotPermitted) as error:
        refuse(
            f"trial of {loop.rules.names[axis]}", str(error), "a small, capped motion without any objection",
            "wrong sign, swapped motor or encoder cables, a blocked joint, or wrong scaling in the leg file",
            powered=True, by=error,
        )  # fmt: skip
    finally:
        loop.stop(end, "end of a pre-check step")
        loop.rules = rules
    if loop.reasons:
        refuse(
            result.name, "; ".join(map(str, loop.reasons)), "off in time after its stop",
            "a drive that ignores the quick stop, or one that reported a fault", powered=True,
        )  # fmt: skip
    return result


def _allow(loop: Loop, steps: list[PrecheckStep]) -> PrecheckStep:
    """The speed that the loss time allows which was proved, where that is longer than the drives were told."""
    proved_s = max([step.figures["loss_s"] for step in steps if "loss_s" in step.figures], default=0.0)
    if proved_s * 1e9 > loop.setup.loss_ns + LOSS_SLACK_NS + 2 * loop.setup.period_ns:
        loop.rules = loop.rules.slowed(allowed_speed(SPEED_MARGIN_RAD, proved_s))
    speed = max(joint.speed_rad_s for joint in loop.rules.joints)
    figures = {"speed_rad_s": speed, "proved_loss_s": proved_s}
    return PrecheckStep("allowed speed", f"{speed:.2f} rad/s at most", figures)
