"""The serial adapter on its pseudo-terminal, opened by python-can's own serial-line interface, in real time."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import can
import pytest
from analytic_axis import AnalyticAxis

from legtest.simulation.bus import VirtualBus
from legtest.simulation.node import DriveConfig, DriveNode, Identity
from legtest.simulation.serial_adapter import SerialAdapter

monotonic_ns = time.monotonic_ns  # noqa: TID251  # the adapter runs in real time, and so does its test


@pytest.fixture
def adapter() -> Iterator[SerialAdapter]:
    bus = VirtualBus(1_000_000)
    DriveNode(bus, 5, AnalyticAxis(), Identity(), DriveConfig())
    served = SerialAdapter(bus, monotonic_ns)
    done = threading.Event()
    server = threading.Thread(target=served.serve, args=(done.is_set,))
    server.start()
    yield served
    done.set()
    server.join(timeout=5)
    served.close()
    served.close()
    assert not server.is_alive()


def opened(adapter: SerialAdapter, bitrate: int = 1_000_000) -> can.BusABC:
    return can.Bus(
        interface="slcan", channel=adapter.path, bitrate=bitrate, sleep_after_open=0, timeout=0.01, ignore_config=True
    )


def read_device_type(bus: can.BusABC) -> bytes | None:
    """SDO upload of 0x1000; None without an answer within a second."""
    bus.send(can.Message(arbitration_id=0x605, data=bytes.fromhex("4000100000000000"), is_extended_id=False), timeout=1)
    while (message := bus.recv(1.0)) is not None:
        if message.arbitration_id == 0x585:
            return bytes(message.data)
    return None


def test_a_drive_answers(adapter: SerialAdapter) -> None:
    with opened(adapter) as bus:
        for _ in range(20):
            assert read_device_type(bus) == bytes.fromhex("4300100092010200")
    assert adapter.lost_frames == 0


def test_hosts_come_and_go(adapter: SerialAdapter) -> None:
    for _ in range(3):
        with opened(adapter) as bus:
            assert read_device_type(bus) is not None


def test_heartbeats_come_in_real_time(adapter: SerialAdapter) -> None:
    with opened(adapter) as bus:
        set_heartbeat = bytes.fromhex("2B17100014000000")  # 20 ms
        bus.send(can.Message(arbitration_id=0x605, data=set_heartbeat, is_extended_id=False), timeout=1)
        start_ns = monotonic_ns()
        beats = 0
        while beats < 10:
            message = bus.recv(1.0)
            assert message is not None
            beats += message.arbitration_id == 0x705
        # Never early; how late depends on the machine, so that bound is loose.
        assert 170_000_000 <= monotonic_ns() - start_ns <= 2_000_000_000


def test_a_wrong_bit_rate_brings_nothing(adapter: SerialAdapter) -> None:
    with opened(adapter, bitrate=500_000) as bus:
        assert read_device_type(bus) is None
