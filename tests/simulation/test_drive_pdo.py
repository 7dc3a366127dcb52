"""PDO mapping and transmission: checks of CiA 301, and the reference frame of tests/references/canopen/canopen.yaml."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
import yaml
from analytic_axis import AnalyticAxis
from drive_host import MS, NODE, PERIOD_NS, Aborted, Bench, running

CANOPEN = yaml.safe_load(
    (Path(__file__).parents[1] / "references" / "canopen" / "canopen.yaml").read_text(encoding="utf-8")
)


def test_packing_is_that_of_the_reference_frame() -> None:
    """Position and torque of the example, measured by an axis that stands there; the statusword is the drive's."""
    example = CANOPEN["pdo"]["example_frame"]
    entries = [int(entry, 16) for entry in example["map"]]
    axis = AnalyticAxis()
    bench = Bench(axis=axis)
    bench.map_pdo(0x1800, 0x1A00, 0x180 + NODE, 1, entries)
    bench.nmt(1)
    axis.position = -12345 / 65536 * 6.283185307179586
    axis.torque = -250 / 1000 * 6.0
    axis.load_Nm, axis.blocked = 0.0, True
    axis._advance = lambda t_ns: None  # type: ignore[method-assign]
    bench.cycle()
    payload = bench.heard(0x180 + NODE)[-1].data
    assert payload[2:] == bytes.fromhex(example["data"])[2:]
    assert int.from_bytes(payload[:2], "little") == bench.node.statusword()


def test_inputs_are_sampled_at_the_sync_and_sent_after_the_turn_around() -> None:
    bench = running()
    got = bench.cycle(0)
    sync = next(f for f in got if f.can_id == 0x080)
    answer = next(f for f in got if f.can_id == 0x180 + NODE)
    from legtest.canbus.bits import frame_bits

    assert answer.t_ns - sync.t_ns == 20_000 + 1_000 * frame_bits(answer.can_id, answer.data)


def test_dividers() -> None:
    bench = running()
    bench.log.clear()
    for _ in range(100):
        bench.cycle(0)
    assert [len(bench.heard(base + NODE)) for base in (0x180, 0x280, 0x380)] == [100, 20, 4]


def test_type_0_is_sent_at_a_sync_after_a_change() -> None:
    bench = Bench()
    bench.map_pdo(0x1801, 0x1A01, 0x280 + NODE, 0, [0x60640020])
    bench.nmt(1)
    for position in (0.0, 0.0, 0.1, 0.1):
        bench.axis.position = position
        bench.cycle()
    assert len(bench.heard(0x280 + NODE)) == 2


def test_asynchronous_transmit_pdo_follows_the_state() -> None:
    bench = Bench()
    bench.nmt(1)  # the default mapping: statusword, type 255
    bench.control(6)
    bench.control(7)
    assert [int.from_bytes(f.data, "little") & 0x6F for f in bench.heard(0x180 + NODE)] == [0x21, 0x23]


def test_event_timer() -> None:
    bench = Bench()
    bench.write(0x1800, 5, 2, 10)
    bench.nmt(1)
    bench.wait(100 * MS)
    assert len(bench.heard(0x180 + NODE)) == 10


def test_asynchronous_receive_pdo_acts_at_once_and_a_synchronous_one_at_the_next_sync() -> None:
    bench = running()
    bench.axis.calls.clear()
    bench.send(0x300 + NODE, struct.pack("<ihH", 500, 0, 3000))
    bench.wait(3 * MS)
    assert bench.axis.calls == []
    bench.send(0x080)
    sync = next(f for f in bench.wait(MS) if f.can_id == 0x080)
    assert [call[:2] for call in bench.axis.calls] == [("follow", sync.t_ns)]
    bench.map_pdo(0x1401, 0x1601, 0x300 + NODE, 255, [0x607A0020])
    bench.send(0x300 + NODE, struct.pack("<i", 700))
    sent = next(f for f in bench.wait(MS) if f.can_id == 0x300 + NODE)
    assert bench.axis.calls[-1][:2] == ("follow", sent.t_ns)


def test_no_pdo_outside_operational() -> None:
    bench = Bench()
    bench.configure()
    bench.nmt(0x80)
    bench.log.clear()
    bench.control(6)
    bench.cycle(0)
    assert bench.state == 0x40
    assert [f.can_id for f in bench.log if not f.flags] == []


def test_a_short_pdo_is_reported_and_left_out() -> None:
    bench = running()
    bench.axis.calls.clear()
    bench.send(0x300 + NODE, b"\0\0\0\0")
    bench.cycle()
    assert bench.emergencies() == [0x8210]
    assert bench.axis.calls == []
    assert bench.state == 0x27


def test_a_long_pdo_is_reported_and_its_first_bytes_count() -> None:
    bench = Bench()
    bench.configure()
    bench.send(0x200 + NODE, b"\x06\x00\x00")
    bench.wait(MS)
    assert bench.emergencies() == [0x8220]
    assert bench.state == 0x21


def mapped(bench: Bench, *writes: tuple[int, int, int, int]) -> int:
    """The abort code of the last of some writes, 0 if it went through."""
    for write in writes[:-1]:
        bench.write(*write)
    try:
        bench.write(*writes[-1])
    except Aborted as refused:
        return int(refused.args[0])
    return 0


OFF = (0x1801, 1, 4, 0x80000285)


@pytest.mark.parametrize(
    ("writes", "code"),
    [
        ([OFF, (0x1A01, 1, 4, 0x60640020), (0x1A01, 0, 1, 1), (0x1801, 1, 4, 0x285)], 0),
        ([(0x1A00, 0, 1, 0)], 0x08000022),  # TPDO1 exists
        ([OFF, (0x1A01, 1, 4, 0x60640020), (0x1A01, 0, 1, 1), (0x1A01, 1, 4, 0x60770010)], 0x08000022),  # counted
        ([OFF, (0x1A01, 1, 4, 0x50000010)], 0x06020000),
        ([OFF, (0x1A01, 1, 4, 0x607D0320)], 0x06090011),
        ([OFF, (0x1A01, 1, 4, 0x60640010)], 0x06040041),  # wrong length
        ([OFF, (0x1A01, 1, 4, 0x60650020)], 0x06040041),  # cannot be mapped
        ([OFF, (0x1A01, 0, 1, 9)], 0x06040042),
        (
            [OFF, *((0x1A01, n, 4, 0x60640020) for n in (1, 2, 3)), (0x1A01, 0, 1, 3)],
            0x06040042,
        ),
        ([(0x1401, 1, 4, 0x80000305), (0x1601, 1, 4, 0x60640020)], 0x06040041),  # a drive's value is not writable
        ([(0x1801, 2, 1, 241)], 0x06090030),
        ([(0x1800, 1, 4, 0x186)], 0x06090030),  # another identifier while it exists
        ([(0x1801, 1, 4, 0x601)], 0x06090030),  # belongs to SDO
        ([(0x1801, 1, 4, 0x20000285)], 0x06090030),  # 29 bits
    ],
)
def test_mapping_checks(writes: list[tuple[int, int, int, int]], code: int) -> None:
    assert mapped(Bench(), *writes) == code


def test_reset_communication_restores_the_default_mapping() -> None:
    bench = running()
    bench.control(0)
    bench.nmt(0x82)
    assert bench.heard(0x700 + NODE)[-1].data == b"\0"
    assert bench.read(0x1400, 1) == 0x200 + NODE
    assert bench.read(0x1401, 1) == 0x80000300 + NODE
    assert bench.read(0x6060) == 8  # the drive's own objects stay


def test_period() -> None:
    """0x60C2 in 10^-4 s: 167 is 16.7 ms, the period of 60 cycles a second."""
    bench = running()
    bench.write(0x60C2, 1, 1, 167)
    bench.write(0x60C2, 2, 1, -4)
    bench.cycle(100)
    bench.cycle(100)
    assert [call[3] for call in bench.axis.calls if call[0] == "follow"][-1] == 16_700_000
    assert PERIOD_NS == 4_000_000
