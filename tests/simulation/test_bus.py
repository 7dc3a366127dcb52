"""The virtual bus: bit times, arbitration, filters, load, and that a run repeats."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.bits import frame_bits
from legtest.canbus.frame import ERROR, EXTENDED, FD, REMOTE, SENT, Frame, frame
from legtest.simulation.bus import BusPort, VirtualBus

REFERENCES = Path(__file__).parents[1] / "references" / "can" / "can.yaml"


def listening(bus: VirtualBus) -> list[Frame]:
    heard: list[Frame] = []
    bus.attach(heard.append)
    return heard


def station(bus: VirtualBus) -> BusPort:
    return bus.attach(lambda received: None, ids=())


def test_a_frame_takes_its_bits() -> None:
    bus = VirtualBus(500_000)
    heard = listening(bus)
    station(bus).send(frame(0x123, b"\xde\xad\xbe\xef"))
    bus.run(1_000_000)
    assert heard == [Frame(frame_bits(0x123, b"\xde\xad\xbe\xef") * 2_000, 0x123, b"\xde\xad\xbe\xef")]
    assert bus.now_ns == 1_000_000


def test_three_bits_lie_between_frames() -> None:
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    port = station(bus)
    port.send(frame(0x1, b"a"))
    port.send(frame(0x2, b"b"))
    bus.run(1_000_000)
    first, second = heard
    assert second.t_ns - first.t_ns == (3 + frame_bits(0x2, b"b")) * 1_000


def test_a_frame_queued_in_the_interframe_space_waits_for_its_end() -> None:
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    port = station(bus)
    port.send(frame(0x1))
    end_ns = frame_bits(0x1, b"") * 1_000
    bus.at(end_ns + 1_500, lambda t_ns: port.send(frame(0x2)))
    bus.run(1_000_000)
    assert heard[1].t_ns == end_ns + 3_000 + frame_bits(0x2, b"") * 1_000


def test_the_smaller_identifier_wins_among_those_that_wait() -> None:
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    one, two = station(bus), station(bus)
    one.send(frame(0x700))  # queued first, and at the same instant: still loses
    two.send(frame(0x301))
    one.send(frame(0x080))
    bus.run(1_000_000)
    assert [f.can_id for f in heard] == [0x080, 0x301, 0x700]


def test_a_frame_on_the_wire_is_not_interrupted() -> None:
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    port = station(bus)
    port.send(frame(0x700))
    bus.at(10_000, lambda t_ns: port.send(frame(0x001)))
    bus.run(1_000_000)
    assert [f.can_id for f in heard] == [0x700, 0x001]


def test_standard_beats_extended_and_data_beat_remote() -> None:
    """ISO 11898-1: with the same leading bits, the dominant RTR and IDE bits win."""
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    port = station(bus)
    for can_id, flags in ((0x100 << 18, EXTENDED | REMOTE), (0x100 << 18, EXTENDED), (0x100, REMOTE), (0x100, 0)):
        port.send(frame(can_id, flags=flags))
    bus.run(1_000_000)
    assert [f.flags for f in heard] == [0, REMOTE, EXTENDED, EXTENDED | REMOTE]


def test_equal_identifiers_go_in_the_order_queued() -> None:
    bus = VirtualBus(1_000_000)
    heard = listening(bus)
    one, two = station(bus), station(bus)
    for n in range(6):
        (one if n % 2 else two).send(frame(0x55, bytes((n,))))
    bus.run(10_000_000)
    assert [f.data[0] for f in heard] == list(range(6))


def test_response_times_of_the_three_message_example() -> None:
    """Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), section 3: all released together, the second
    instance of C takes 3.5 frame times, which the older analysis overlooked. All frames have equal length here.
    """
    example = yaml.safe_load(REFERENCES.read_text(encoding="utf-8"))["response_times"]["davis_2007"]
    bus = VirtualBus(example["bit_rate"])
    heard = listening(bus)
    port = station(bus)
    bits = 112
    payloads = {
        name: next(p for p in (n.to_bytes(7, "little") for n in range(1 << 20)) if frame_bits(can_id, p) == bits - 3)
        for can_id, name in enumerate("ABC", start=1)
    }
    unit_ns = bits * bus.bit_ns
    releases: dict[int, list[int]] = {1: [], 2: [], 3: []}
    for can_id, message in enumerate(example["messages"], start=1):
        for n in range(3):
            t_ns = round(n * message["T_ms"] * unit_ns)
            releases[can_id].append(t_ns)
            queued = frame(can_id, payloads[message["name"]])
            bus.at(t_ns, lambda t_ns, queued=queued: port.send(queued))
    bus.run(20 * unit_ns)
    c = [f.t_ns + 3 * bus.bit_ns for f in heard if f.can_id == 3]
    assert c[0] - releases[3][0] == 3.0 * unit_ns
    assert c[1] - releases[3][1] == example["R_revised_ms"][2] * unit_ns


def test_filters_and_echo() -> None:
    bus = VirtualBus(1_000_000)
    everything, some, mine = [], [], []
    bus.attach(everything.append)
    narrow = bus.attach(some.append, ids={0x10})
    sender = bus.attach(mine.append, echo=True)
    for can_id, flags in ((0x10, 0), (0x11, 0), (0x10, REMOTE), (0x10, EXTENDED)):
        sender.send(frame(can_id, flags=flags))
    bus.run(1_000_000)
    assert len(everything) == 4
    assert [(f.can_id, f.flags) for f in some] == [(0x10, 0)]
    assert [f.flags & SENT for f in mine] == [SENT] * 4
    narrow.listen({0x11})
    sender.send(frame(0x11))
    bus.run(2_000_000)
    assert some[-1].can_id == 0x11
    narrow.detach()
    sender.send(frame(0x11))
    bus.run(3_000_000)
    assert len(some) == 2


def test_load() -> None:
    bus = VirtualBus(1_000_000)
    port = station(bus)
    for _ in range(10):
        port.send(frame(0x80))
    bus.run(1_000_000)
    load = bus.load()
    assert load.frames == 10
    assert load.busy_ns == 10 * (frame_bits(0x80, b"") + 3) * 1_000
    assert load.share == pytest.approx(0.51)


@given(st.lists(st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8), st.integers(0, 3_000_000)), max_size=30))
def test_laws_of_any_traffic(traffic: list[tuple[int, bytes, int]]) -> None:
    """Nothing is lost, frames never overlap, and what waited at a start of frame was not more urgent."""
    bus = VirtualBus(250_000)
    heard = listening(bus)
    port = station(bus)
    for can_id, data, t_ns in traffic:
        queued = frame(can_id, data)
        bus.at(t_ns, lambda t_ns, queued=queued: port.send(queued))
    bus.run(1_000_000_000)
    assert sorted((f.can_id, f.data) for f in heard) == sorted((can_id, data) for can_id, data, _ in traffic)
    ends = [0] + [f.t_ns + 3 * 4_000 for f in heard]
    starts = [f.t_ns - frame_bits(f.can_id, f.data) * 4_000 for f in heard]
    assert all(start >= free for start, free in zip(starts, ends, strict=False) if free)
    released: dict[tuple[int, bytes], list[int]] = {}
    for can_id, data, t_ns in sorted(traffic, key=lambda item: item[2]):
        released.setdefault((can_id, data), []).append(t_ns)
    queue_times = [released[f.can_id, f.data].pop(0) for f in heard]
    for n, start in enumerate(starts):
        waiting = [heard[m].can_id for m in range(n, len(heard)) if queue_times[m] <= start]
        assert heard[n].can_id == min(waiting)


def test_time() -> None:
    bus = VirtualBus(1_000_000)
    order: list[str] = []
    bus.at(5, lambda t_ns: order.append(f"first {t_ns}"))
    bus.at(5, lambda t_ns: order.append(f"second {t_ns}"))
    bus.at(3, lambda t_ns: order.append(f"early {t_ns}"))
    assert bus.next_event_ns == 3
    bus.run(5)
    assert order == ["early 3", "first 5", "second 5"]
    bus.run(1)
    assert bus.now_ns == 5
    with pytest.raises(ValueError, match="in the past"):
        bus.at(4, lambda t_ns: None)


def test_wire_and_other_events_of_one_instant_run_in_the_order_made() -> None:
    bus = VirtualBus(1_000_000)
    end_ns = frame_bits(0x1, b"") * 1_000
    order: list[str] = []
    bus.attach(lambda received: order.append("frame"))
    bus.at(end_ns, lambda t_ns: order.append("made before the frame"))
    station(bus).send(frame(0x1))
    bus.at(0, lambda t_ns: bus.at(end_ns, lambda t_ns: order.append("made after the frame was on the wire")))
    bus.run(end_ns)
    assert order == ["made before the frame", "frame", "made after the frame was on the wire"]


def test_a_station_may_have_a_receiver_for_each_identifier() -> None:
    bus = VirtualBus(1_000_000)
    first: list[Frame] = []
    second: list[Frame] = []
    sender, port = station(bus), station(bus)
    port.handle({0x10: first.append, 0x11: second.append})
    for can_id, flags in ((0x10, 0), (0x11, 0), (0x12, 0), (0x10, REMOTE), (0x10, EXTENDED)):
        sender.send(frame(can_id, b"x", flags))
    sender.send_data(0x11, b"y")
    bus.run(10_000_000)
    assert [f.data for f in first] == [b"x"]
    assert [f.data for f in second] == [b"x", b"y"]
    everything: list[Frame] = []
    port.handle({0x10: everything.append})
    sender.send_data(0x10, b"z")
    bus.run(20_000_000)
    assert [f.data for f in everything] == [b"z"]
    assert len(first) == 1


def test_what_the_bus_refuses() -> None:
    with pytest.raises(ValueError, match="300000 bit/s"):
        VirtualBus(300_000)
    for flag in (FD, ERROR):
        with pytest.raises(ValueError, match="classical"):
            station(VirtualBus(1_000_000)).send(frame(1, flags=flag))
