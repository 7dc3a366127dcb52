"""The host's end of the virtual bus."""

from __future__ import annotations

import pytest

from legtest.canbus.frame import SENT, Frame, frame
from legtest.canbus.link import Link
from legtest.errors import BusBusy, BusLost
from legtest.simulation.bus import BusPort, VirtualBus
from legtest.simulation.link import QUEUE_LENGTH, VirtualLink


def answering(bus: VirtualBus) -> None:
    def receive(received: Frame) -> None:
        port.send(frame(received.can_id + 1, received.data))

    port: BusPort = bus.attach(receive, ids={0x10})


def test_it_is_a_link() -> None:
    bus = VirtualBus(1_000_000)
    link: Link = VirtualLink(bus)
    answering(bus)
    link.send(frame(0x10, b"x"))
    assert link.now_ns() == 0
    received = link.pump(1_000_000)
    assert [(f.can_id, f.flags) for f in received] == [(0x10, SENT), (0x11, 0)]
    assert 0 < received[0].t_ns < received[1].t_ns <= link.now_ns() == 1_000_000
    assert link.pump(2_000_000) == []


def test_pumping_in_slices_changes_nothing() -> None:
    def run(slices: int) -> list[Frame]:
        bus = VirtualBus(1_000_000)
        link = VirtualLink(bus, loss=0.2, seed=3)
        answering(bus)
        got = []
        for n in range(20):
            link.send(frame(0x10, bytes((n,))))
            for part in range(slices):
                got += link.pump(n * 1_000_000 + (part + 1) * 1_000_000 // slices)
        return got

    assert run(1) == run(3) == run(17)


def test_loss_goes_both_ways_and_the_host_does_not_know() -> None:
    bus = VirtualBus(1_000_000)
    on_the_wire: list[Frame] = []
    bus.attach(on_the_wire.append)
    link = VirtualLink(bus, loss=0.25, seed=1)
    answering(bus)
    got = []
    for n in range(4_000):
        link.send(frame(0x10))
        got += link.pump((n + 1) * 500_000)
    sent = [f for f in got if f.flags & SENT]
    arrived = [f for f in on_the_wire if f.can_id == 0x10]
    answers = [f for f in got if not f.flags]
    assert len(sent) == 4_000
    # Binomial, n = 4000 and 3000, p = 0.25: five standard deviations are 137 and 119.
    assert len(arrived) == pytest.approx(3_000, abs=137)
    assert len(arrived) - len(answers) == pytest.approx(len(arrived) / 4, abs=119)
    assert [f.t_ns for f in got] == sorted(f.t_ns for f in got)


def test_loss_repeats_for_a_seed() -> None:
    def run(seed: int) -> list[Frame]:
        bus = VirtualBus(1_000_000)
        link = VirtualLink(bus, loss=0.3, seed=seed)
        answering(bus)
        for _ in range(50):
            link.send(frame(0x10))
        return link.pump(100_000_000)

    assert run(5) == run(5)
    assert run(5) != run(6)


def test_a_full_queue_is_busy() -> None:
    link = VirtualLink(VirtualBus(1_000_000))
    for _ in range(QUEUE_LENGTH):
        link.send(frame(1))
    with pytest.raises(BusBusy, match="256"):
        link.send(frame(1))


def test_closing() -> None:
    bus = VirtualBus(1_000_000)
    link = VirtualLink(bus)
    link.close()
    link.close()
    with pytest.raises(BusLost, match="closed"):
        link.send(frame(1))
    with pytest.raises(BusLost, match="closed"):
        link.pump(1)


def test_loss_is_a_share() -> None:
    with pytest.raises(ValueError, match=r"1\.5"):
        VirtualLink(VirtualBus(1_000_000), loss=1.5)
