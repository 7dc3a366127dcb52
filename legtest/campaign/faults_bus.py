"""Faults of the bus, of the host's adapter, and of others who talk on the bus."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from legtest.campaign.fault import ANYTIME, MOVING, POWERED, Fault, kind
from legtest.canbus.frame import ERROR, Frame
from legtest.errors import BusLost

if TYPE_CHECKING:
    from legtest.campaign.leg import CampaignLeg


def _answers(leg: CampaignLeg, fault: Fault) -> tuple[int, ...]:
    """The telemetry of one drive, or of all."""
    nodes = [axis.node for i, axis in enumerate(leg.setup.axes) if fault.axis in (-1, i)]
    return tuple(base + node for node in nodes for base in (0x180, 0x280, 0x380))


def _received(leg: CampaignLeg, fault: Fault, change: Callable[[Frame], list[tuple[int, Frame]]]) -> None:
    """Put a filter between wire and host for a while. change(frame) -> list of (delay, frame)."""
    ids = _answers(leg, fault)

    def through(frame: Frame) -> list[tuple[int, Frame]]:
        return change(frame) if frame.can_id in ids else [(0, frame)]

    leg.link.rx = through
    leg.later(fault.span_ns, lambda: setattr(leg.link, "rx", None))


@kind("bus", unit="share", size=(0.3, 1.0), span_ms=(2, 150), edges=ANYTIME, on_axis=True)
def telemetry_lost(leg: CampaignLeg, fault: Fault) -> None:
    _received(leg, fault, lambda f: [] if leg.chance.random() < fault.size else [(0, f)])


@kind("bus", unit="ms", size=(0.5, 60), span_ms=(5, 150), on_axis=True)
def telemetry_late(leg: CampaignLeg, fault: Fault) -> None:
    _received(leg, fault, lambda f: [(round(fault.size * 1e6), f)])


@kind("bus", span_ms=(5, 150), on_axis=True)
def telemetry_twice(leg: CampaignLeg, fault: Fault) -> None:
    _received(leg, fault, lambda f: [(0, f), (0, f)])


@kind("bus", unit="bit", size=(0, 63), span_ms=(5, 60), on_axis=True)
def telemetry_flipped(leg: CampaignLeg, fault: Fault) -> None:
    """Corrupt content that the CRC did not notice, now and then."""

    def flip(frame: Frame) -> list[tuple[int, Frame]]:
        bit = int(fault.size)
        if bit >= 8 * len(frame.data) or leg.chance.random() > 0.3:
            return [(0, frame)]
        data = bytearray(frame.data)
        data[bit // 8] ^= 1 << bit % 8
        leg.observer.distrust()  # a wild position or velocity is distrusted at once
        return [(0, frame._replace(data=bytes(data)))]

    _received(leg, fault, flip)


@kind("bus", unit="bytes", size=(0, 7), span_ms=(5, 60), on_axis=True)
def telemetry_cut_short(leg: CampaignLeg, fault: Fault) -> None:
    _received(leg, fault, lambda f: [(0, f._replace(data=f.data[: int(fault.size)]))])


@kind("bus", span_ms=(5, 120), edges=POWERED)
def bus_flooded(leg: CampaignLeg, fault: Fault) -> None:
    """A stranger sends frames of the highest priority without end: nobody else gets through."""
    end = leg.now + fault.span_ns
    leg.observer.hampered(leg.now, end + 3 * leg.setup.period_ns)  # what piled up meanwhile has to leave first

    def again(frame: Frame) -> None:
        if frame.t_ns < end:
            port.send(Frame(0, 0x001, bytes(8)))

    port = leg.bus.attach(again, ids=(), echo=True)
    again(Frame(leg.now, 0, b""))


def _stranger(leg: CampaignLeg, frame: Frame) -> None:
    leg.bus.attach(lambda frame: None, ids=()).send(frame)


@kind("bus", edges=ANYTIME)
def stranger_syncs(leg: CampaignLeg, fault: Fault) -> None:
    _stranger(leg, Frame(0, leg.setup.sync_id, b""))


@kind("bus", edges=ANYTIME, on_axis=True, unit="word", size=(0, 15))
def stranger_commands(leg: CampaignLeg, fault: Fault) -> None:
    _stranger(leg, Frame(0, 0x200 + leg.setup.axes[fault.axis].node, bytes((int(fault.size), 0))))


@kind("bus", edges=ANYTIME, on_axis=True, unit="rad", size=(-0.3, 0.3))
def stranger_moves(leg: CampaignLeg, fault: Fault) -> None:
    counts = round(fault.size / abs(leg.plan.axes[fault.axis].rad_per_count))
    data = counts.to_bytes(4, "little", signed=True) + bytes((0, 0, 0xE8, 0x03))
    leg.observer.distrust()  # the drive leaps where nobody of ours asked it to
    _stranger(leg, Frame(0, 0x300 + leg.setup.axes[fault.axis].node, data))


@kind("bus", edges=ANYTIME, on_axis=True, unit="command", size=(0, 4))
def stranger_manages(leg: CampaignLeg, fault: Fault) -> None:
    """NMT: stop, pre-operational, reset, of one node."""
    command = (0x02, 0x80, 0x81, 0x82)[min(int(fault.size), 3)]
    if command == 0x80:  # in pre-operational it obeys no controlword that is process data
        leg.observer.obeys(fault.axis, "silence")
    _stranger(leg, Frame(0, 0x000, bytes((command, leg.setup.axes[fault.axis].node))))


@kind("bus", edges=ANYTIME)
def stranger_beats(leg: CampaignLeg, fault: Fault) -> None:
    """Somebody else sends our heartbeat: the drives would not miss us any more."""
    _stranger(leg, Frame(0, 0x700 + leg.plan.host_node, b"\x05"))


@kind("bus", unit="frames", size=(3, 40), span_ms=(20, 900), edges=POWERED)
def error_frames(leg: CampaignLeg, fault: Fault) -> None:
    """The host's controller reports protocol errors, spread over a while."""
    for n in range(int(fault.size)):
        span = fault.span_ns * n // int(fault.size)
        leg.later(span, lambda: leg.link.hear(Frame(leg.now, 0x08, bytes(8), ERROR)))


@kind("bus", span_ms=(20, 600), edges=ANYTIME)
def bus_off(leg: CampaignLeg, fault: Fault) -> None:
    """The host's controller leaves the bus and says so; nothing of ours leaves, until it comes back."""
    leg.link.hear(Frame(leg.now, 0x40, bytes(8), ERROR))
    leg.link.tx = lambda frame: []
    leg.link.rx = lambda frame: []
    leg.observer.hampered(leg.now, leg.now + fault.span_ns)
    leg.later(fault.span_ns, leg.plugged)


@kind("adapter", span_ms=(5, 900), edges=ANYTIME)
def cable_unplugged(leg: CampaignLeg, fault: Fault) -> None:
    """No acknowledge: the adapter keeps our frames, and sends them all when it is plugged in again."""
    leg.link.held, leg.link.rx = [], lambda frame: []
    # What was taken just before it was noticed comes out when it is plugged in soon (see I12), which is before the host
    # gives the adapter up: that is when the drives must have missed it and come to rest.
    drain = 3 * leg.setup.period_ns if fault.span_ns < 2 * leg.plan.loss_ns else 0
    leg.observer.hampered(leg.now, leg.now + fault.span_ns + drain)
    leg.later(fault.span_ns, leg.plugged)


@kind("adapter", unit="cycles", size=(1, 7), edges=(*POWERED, "stop", "stop"))
def sending_lost(leg: CampaignLeg, fault: Fault) -> None:
    """The adapter drops what it is given and says nothing."""
    span = round(fault.size * leg.setup.period_ns)
    leg.link.tx = lambda frame: []
    leg.observer.hampered(leg.now, leg.now + span)
    leg.later(span, lambda: setattr(leg.link, "tx", None))


@kind("adapter", unit="cycles", size=(1, 3), edges=MOVING)
def stop_frames_lost(leg: CampaignLeg, fault: Fault) -> None:
    """The leg has to stop, and the first stop frames are lost as well."""
    leg.host_answer = "no beat for 100 ms"
    sending_lost(leg, fault)
    leg.observer.violation(leg.now, "host", "stop")


@kind("adapter", unit="periods", size=(0.5, 6), span_ms=(20, 300), edges=POWERED)
def sending_late(leg: CampaignLeg, fault: Fault) -> None:
    """The adapter buffers: all that is sent leaves so much later."""
    delay = round(fault.size * leg.setup.period_ns)
    leg.link.tx = lambda frame: [(delay, frame)]
    leg.observer.hampered(leg.now, leg.now + fault.span_ns + delay)
    leg.later(fault.span_ns, lambda: setattr(leg.link, "tx", None))


@kind("adapter", span_ms=(1, 300), edges=ANYTIME)
def adapter_busy(leg: CampaignLeg, fault: Fault) -> None:
    leg.link.busy = True
    leg.observer.hampered(leg.now, leg.now + fault.span_ns)
    leg.later(fault.span_ns, lambda: setattr(leg.link, "busy", False))


@kind("adapter", edges=ANYTIME)
def adapter_gone(leg: CampaignLeg, fault: Fault) -> None:
    leg.link.fail = BusLost("the adapter is gone")
    leg.link.rx = lambda frame: []
    leg.gone("adapter gone")


@kind("adapter", span_ms=(1, 300), edges=ANYTIME)
def adapter_breaks(leg: CampaignLeg, fault: Fault) -> None:
    """Sending raises what nobody expects of it, for a while."""
    leg.link.fail = OSError(5, "input/output error")
    leg.observer.hampered(leg.now, leg.now + fault.span_ns)
    leg.later(fault.span_ns, lambda: setattr(leg.link, "fail", None))
