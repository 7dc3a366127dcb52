"""The simulated bench as a python-can interface, in real time."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from analytic_axis import AnalyticAxis

from legtest.simulation import can_interface
from legtest.simulation.bus import VirtualBus
from legtest.simulation.can_interface import LegtestBus
from legtest.simulation.node import DriveConfig, DriveNode, Identity

LEG = Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-fl.yaml"
READ_DEVICE_TYPE = can.Message(arbitration_id=0x605, data=bytes.fromhex("4000100000000000"), is_extended_id=False)


def one_drive(channel: str, bench: str | None, seed: int) -> VirtualBus:
    bus = VirtualBus(1_000_000)
    DriveNode(bus, 5, AnalyticAxis(), Identity(), DriveConfig())
    return bus


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Iterator[LegtestBus]:
    monkeypatch.setattr(can_interface, "_simulated_bus", one_drive)
    with LegtestBus("leg.yaml") as opened:
        yield opened


def test_a_drive_boots_and_answers(bus: LegtestBus) -> None:
    boot_up = bus.recv(1.0)
    assert boot_up is not None
    assert (boot_up.arbitration_id, bytes(boot_up.data)) == (0x705, b"\0")
    bus.send(READ_DEVICE_TYPE)
    answer = bus.recv(1.0)
    assert answer is not None
    assert (answer.arbitration_id, bytes(answer.data)) == (0x585, bytes.fromhex("4300100092010200"))
    assert answer.timestamp > boot_up.timestamp
    assert bus.recv(0) is None


def test_a_send_wakes_a_waiting_receiver(bus: LegtestBus) -> None:
    bus.recv(1.0)
    got: list[can.Message | None] = []
    receiver = threading.Thread(target=lambda: got.append(bus.recv(5.0)))
    receiver.start()
    bus.send(READ_DEVICE_TYPE)
    receiver.join(timeout=4)
    assert got
    assert got[0] is not None


def test_filters(bus: LegtestBus) -> None:
    bus.set_filters([{"can_id": 0x585, "can_mask": 0x7FF, "extended": False}])
    bus.send(READ_DEVICE_TYPE)
    answer = bus.recv(1.0)
    assert answer is not None
    assert answer.arbitration_id == 0x585


@pytest.mark.parametrize(
    "message",
    [
        can.Message(arbitration_id=1, is_fd=True, is_extended_id=False),
        can.Message(arbitration_id=0x1ABC, is_extended_id=False),
        can.Message(arbitration_id=1, data=bytes(8), is_error_frame=True),
    ],
)
def test_frames_the_bus_does_not_carry(bus: LegtestBus, message: can.Message) -> None:
    with pytest.raises(can.CanOperationError):
        bus.send(message)


def test_a_leg_file_that_is_not_there() -> None:
    with pytest.raises(can.CanInitializationError, match=r"no-such-leg\.yaml"):
        LegtestBus("no-such-leg.yaml")


def test_the_whole_leg() -> None:
    """All three drives of a leg file boot."""
    with LegtestBus(str(LEG), seed=1) as bus:
        booted = {message.arbitration_id for _ in range(3) if (message := bus.recv(2.0)) is not None}
    assert booted == {0x701, 0x702, 0x703}
