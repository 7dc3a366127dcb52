"""Microseconds per frame of the virtual bus: python tests/benchmarks/bench_bus.py

Five stations: a host that hears all, three that answer each SYNC as drives do, one that only listens.
"""

from __future__ import annotations

import time

from legtest.canbus.frame import Frame, frame
from legtest.simulation.bus import VirtualBus
from legtest.simulation.link import VirtualLink


def attach_answerer(bus: VirtualBus, node: int) -> None:
    answer = frame(0x180 + node, bytes((0x37, 0x12, node, 2, 3, 4, 5, 6)))

    def receive(received: Frame) -> None:
        if received.can_id == 0x80:
            bus.at(received.t_ns + 20_000, lambda t_ns: port.send(answer))

    port = bus.attach(receive, ids=frozenset({0x80, 0x200 + node, 0x300 + node, 0x600 + node}))


def microseconds_per_frame(cycles: int = 5_000) -> float:
    bus = VirtualBus(1_000_000)
    link = VirtualLink(bus)
    for node in (1, 2, 3):
        attach_answerer(bus, node)
    bus.attach(lambda received: None, ids=frozenset({0x701}))
    sync = frame(0x80)
    start = time.perf_counter()
    for cycle in range(cycles):
        link.send(sync)
        link.pump(cycle * 4_000_000 + 2_400_000)
        for node in (1, 2, 3):
            link.send(frame(0x300 + node, cycle.to_bytes(4, "little") + b"\x00\x01\xe8\x03"))
        link.pump((cycle + 1) * 4_000_000)
    return (time.perf_counter() - start) / bus.load().frames * 1e6


if __name__ == "__main__":
    print(f"{min(microseconds_per_frame() for _ in range(5)):.2f} us per frame (5 stations, best of 5)")
