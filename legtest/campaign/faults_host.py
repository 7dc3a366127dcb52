"""Faults of the host: its process, its clock, its disk, the code of users and plugins, and the operator's console."""

from __future__ import annotations

from typing import TYPE_CHECKING

from legtest.campaign.fault import ANYTIME, MOVING, POWERED, Fault, kind
from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction

if TYPE_CHECKING:
    from legtest.campaign.leg import CampaignLeg


class HostDied(BaseException):
    """The host is gone: nobody calls the loop again."""


@kind("host", unit="cycles", size=(1, 80), edges=ANYTIME)
def host_stalls(leg: CampaignLeg, fault: Fault) -> None:
    end = leg.now + round(fault.size * leg.setup.period_ns)
    leg.link.stall_ns = end
    leg.observer.hampered(leg.now, end)


@kind("host", edges=ANYTIME)
def host_dies(leg: CampaignLeg, fault: Fault) -> None:
    leg.link.interrupt = HostDied()
    leg.gone("host dies")


def _raise_in_a_cycle(leg: CampaignLeg, error: BaseException) -> None:
    """The next wait raises; while nothing is energised there is nothing to stop."""

    def raised() -> None:
        if any(body.on for body in leg.bodies):
            leg.observer.violation(leg.now, f"{type(error).__name__} in a cycle", "stop", 2 * leg.plan.stop_ns)

    leg.link.interrupt, leg.link.raised = error, raised


@kind("host", edges=POWERED)
def interrupted(leg: CampaignLeg, fault: Fault) -> None:
    """A signal in the middle of a cycle."""
    _raise_in_a_cycle(leg, KeyboardInterrupt())


@kind("host", edges=POWERED)
def out_of_memory(leg: CampaignLeg, fault: Fault) -> None:
    _raise_in_a_cycle(leg, MemoryError())


@kind("host", unit="passes", size=(1, 3), edges=POWERED)
def monitor_raises(leg: CampaignLeg, fault: Fault) -> None:
    leg.break_monitor(int(fault.size))


@kind("host", edges=MOVING)
def encoder_raises(leg: CampaignLeg, fault: Fault) -> None:
    """The function that makes set-points of numbers fails."""
    leg.break_encoders()
    leg.observer.violation(leg.now, "encoder raises", "stop", 2 * leg.plan.stop_ns)


@kind("host", span_ms=(1, 500), edges=ANYTIME)
def disk_full(leg: CampaignLeg, fault: Fault) -> None:
    leg.log.fail = OSError(28, "no space left on device")
    leg.later(fault.span_ns, lambda: setattr(leg.log, "fail", None))


@kind("host", edges=POWERED)
def event_log_raises(leg: CampaignLeg, fault: Fault) -> None:
    leg.event_fails = OSError(28, "no space left on device")


@kind("host", edges=POWERED)
def host_says_no(leg: CampaignLeg, fault: Fault) -> None:
    """What the loop asks about its host answers that it is not well."""
    leg.host_answer = "no beat for 100 ms"
    leg.observer.violation(leg.now, "host", "stop")


# ---------------------------------------------------------------------------------------------- operator and users
@kind("operator", unit="reaction", size=(0, 3), edges=POWERED)
def told_to_stop(leg: CampaignLeg, fault: Fault) -> None:
    reaction = Reaction(min(int(fault.size), 2))
    leg.observer.hurried()
    if reaction == Reaction.OFF_NOW:  # whoever asks for that gets it, at any speed
        leg.observer.distrust()
    leg.ask(lambda: leg.loop.stop(reaction, "told to"))


@kind("user", edges=MOVING)
def test_raises(leg: CampaignLeg, fault: Fault) -> None:
    leg.observer.hurried()

    def fail() -> None:
        raise RuntimeError("a test that is wrong")

    leg.ask(fail)


@kind("user", edges=(*MOVING, "begin"))
def sends_by_hand(leg: CampaignLeg, fault: Fault) -> None:
    """A plugin reaches into the loop and sends what it likes."""
    node = leg.setup.axes[leg.chance.randrange(len(leg.setup.axes))].node
    frames = (
        Frame(0, 0x200 + node, b"\x0f\x00"), Frame(0, 0x200 + node, b"\x80\x00"),
        Frame(0, 0x300 + node, bytes(6) + b"\xff\x7f"), Frame(0, 0x000, bytes((0x81, node))),
        Frame(0, 0x600 + node, bytes((0x2B, 0x72, 0x60, 0, 0xE8, 0x03, 0, 0))),
        Frame(0, 0x600 + node, bytes((0x2B, 0x40, 0x60, 0, 0x0F, 0, 0, 0))),
        Frame(0, 0x300 + node, bytes(4) + b"\xff\x7f" + b"\x10\x00"),
    )  # fmt: skip
    leg.ask(lambda: leg.loop.send(leg.chance.choice(frames)))


@kind("user", unit="times", size=(1.05, 6.0), edges=("begin",))
def asks_too_much(leg: CampaignLeg, fault: Fault) -> None:
    """Motions beyond their caps, speeds or limits."""
    leg.exaggerate = fault.size


@kind("user", edges=("begin",))
def forgets_to_go_on(leg: CampaignLeg, fault: Fault) -> None:
    """Nothing is asked for after a motion."""
    leg.forgetful = True


@kind("user", span_ms=(100, 900), edges=("begin",))
def permit_ends(leg: CampaignLeg, fault: Fault) -> None:
    leg.permit_ns = 400_000_000 + fault.span_ns
    leg.forgetful = True  # a motion that would outlast it is refused: it ends while the leg holds
