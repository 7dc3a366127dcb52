"""NMT, heartbeats and what happens when the host is gone (CiA 301; reactions 0x6007 of CiA 402)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from drive_host import MS, NODE, Bench, running

HOST = 0x7F
TIME_OUT_NS = 100 * MS


def test_boot_up_then_pre_operational() -> None:
    bench = Bench()
    assert [(f.can_id, f.data) for f in bench.log] == [(0x700 + NODE, b"\0")]
    assert bench.node.nmt == 0x7F


def test_heartbeat_producer() -> None:
    bench = Bench()
    bench.write(0x1017, 0, 2, 20)
    bench.wait(100 * MS)
    bench.nmt(1)
    bench.wait(100 * MS)
    beats = bench.heard(0x700 + NODE)[1:]
    assert {f.data for f in beats} == {b"\x7f", b"\x05"}
    assert len(beats) == 10
    gaps = {b.t_ns - a.t_ns for a, b in pairwise(beats)}
    assert max(gaps) - 20 * MS < 5_000  # the beat's own bits differ
    bench.write(0x1017, 0, 2, 0)
    bench.log.clear()
    bench.wait(100 * MS)
    assert bench.heard(0x700 + NODE) == []


@pytest.mark.parametrize(("command", "state"), [(1, 5), (2, 4), (0x80, 0x7F)])
def test_nmt_states(command: int, state: int) -> None:
    bench = Bench()
    bench.nmt(command)
    assert bench.node.nmt == state


def test_nmt_for_all_and_for_another() -> None:
    bench = Bench()
    bench.send(0, bytes((1, NODE + 1)))
    bench.wait(MS)
    assert bench.node.nmt == 0x7F
    bench.send(0, bytes((1, 0)))
    bench.wait(MS)
    assert bench.node.nmt == 5


def test_stopped_answers_no_sdo() -> None:
    bench = Bench()
    bench.nmt(2)
    bench.send(0x600 + NODE, bytes.fromhex("4000100000000000"))
    assert not [f for f in bench.wait(10 * MS) if f.can_id == 0x580 + NODE]


def test_reset_node_takes_the_power_off_and_forgets() -> None:
    bench = running()
    bench.write(0x6065, 0, 4, 777)
    bench.nmt(0x81)
    assert not bench.axis.on
    assert bench.state == 0x40
    assert bench.node.nmt == 0x7F
    assert bench.read(0x6065) == 0xFFFFFFFF
    assert bench.read(0x6060) == bench.read(0x6061) == 0
    assert bench.read(0x6076) == 6000  # what the drive is, it stays


def beating(option: int, **parts: object) -> Bench:
    """A running drive that has heard 200 ms of heartbeats and moves at 5000 counts/s, until the host falls silent."""
    bench = running(**parts)
    bench.write(0x6007, 0, 2, option)
    bench.write(0x1016, 1, 4, HOST << 16 | TIME_OUT_NS // MS)
    for n in range(1, 51):
        if n % 5 == 0:
            bench.send(0x700 + HOST, b"\x05")
        bench.cycle(n * 20)
    return bench


@pytest.mark.parametrize(
    ("option", "state", "codes"),
    [(0, 0x27, [0x8130]), (1, 0x08, [0x8130]), (2, 0x40, [0x8130]), (3, 0x40, [0x8130])],
)
def test_heartbeat_loss(option: int, state: int, codes: list[int]) -> None:
    bench = beating(option)
    last_ns = bench.heard(0x700 + HOST)[-1].t_ns
    bench.link.pump(last_ns + TIME_OUT_NS - 1)
    assert bench.state == 0x27
    assert bench.node.nmt == 5
    bench.wait(200 * MS)  # nobody talks to the drive any more
    assert bench.state == state
    assert bench.axis.on == (option == 0)
    assert bench.emergencies() == codes
    assert bench.heard(0x080 + NODE)[0].t_ns - (last_ns + TIME_OUT_NS) < 300_000
    assert bench.node.nmt == 0x7F  # 0x1029:1 = 0


def test_quick_stop_on_loss_brakes_before_the_power_goes() -> None:
    bench = beating(3)
    bench.write(0x6085, 0, 4, 100_000)  # 5000 counts/s need 50 ms
    for n in range(51, 151):
        bench.cycle(n * 20)
        if not bench.axis.on:
            break
        if bench.state == 0x07:
            break
    assert bench.state == 0x07
    start_ns = bench.link.now_ns()
    while bench.axis.on:
        bench.wait(MS)
    assert 40 * MS <= bench.link.now_ns() - start_ns <= 60 * MS
    assert abs(bench.axis.velocity) < 0.05


def test_1029_1_leaves_the_nmt_state() -> None:
    bench = beating(2)
    bench.write(0x1029, 1, 1, 1)
    bench.wait(300 * MS)
    assert bench.node.nmt == 5
    assert bench.state == 0x40


def test_watching_begins_with_the_first_beat() -> None:
    bench = running()
    bench.write(0x1016, 1, 4, HOST << 16 | 100)
    bench.wait(500 * MS)
    assert bench.state == 0x27
    assert bench.emergencies() == []


def test_the_unpowered_drive_only_reports() -> None:
    bench = Bench()
    bench.configure()
    bench.write(0x6007, 0, 2, 1)
    bench.write(0x1016, 1, 4, HOST << 16 | 100)
    bench.send(0x700 + HOST, b"\x05")
    bench.wait(300 * MS)
    assert bench.emergencies() == [0x8130]
    assert bench.state == 0x40
    bench.send(0x700 + HOST, b"\x05")
    bench.wait(MS)
    assert bench.emergencies() == [0x8130, 0x0000]
    assert bench.read(0x1001) == 0


def test_process_data_time_out() -> None:
    """Event timer of a receive PDO: 0x8250 and the same reaction."""
    bench = running()
    bench.write(0x6007, 0, 2, 2)
    bench.write(0x1401, 5, 2, 20)
    bench.wait(100 * MS)
    assert bench.state == 0x27  # none came yet
    for _ in range(10):
        bench.cycle(0)
    assert bench.state == 0x27
    bench.wait(25 * MS)
    assert bench.state == 0x40
    assert bench.emergencies() == [0x8250]


def test_nmt_stop_while_energised_is_a_lost_connection() -> None:
    bench = running()
    bench.write(0x6007, 0, 2, 2)
    bench.nmt(2)
    assert bench.state == 0x40
    assert not bench.axis.on


def test_node_id() -> None:
    bench = Bench()
    from legtest.simulation.node import DriveNode

    with pytest.raises(ValueError, match="128"):
        DriveNode(bench.bus, 128, bench.axis, bench.identity, bench.config)
