"""The `canopen` library, which shares no code with ours, as a client of the python-can interface, in real time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import can
import canopen
import pytest

from legtest.description import read_leg

ROOT = Path(__file__).resolve().parents[2]
LEGS = [ROOT / "fixtures" / "legs" / f"{name}.yaml" for name in ("tarn-fl", "tarn-hopper")]
# Statusword & mask of the states on the way up (CiA 402-2, from memory; equal to the library's own table).
WALK = ((0x06, 0x6F, 0x21), (0x07, 0x6F, 0x23), (0x0F, 0x6F, 0x27))


@pytest.fixture(params=LEGS, ids=lambda path: path.stem)
def network(request: pytest.FixtureRequest) -> Iterator[tuple[canopen.Network, Path]]:
    network = canopen.Network()
    network.connect(interface="legtest", channel=str(request.param), ignore_config=True)
    yield network, request.param
    network.disconnect()


def test_identity_and_walk_to_operation_enabled(network: tuple[canopen.Network, Path]) -> None:
    client, path = network
    for joint in read_leg(path).joints:
        drive = joint.drive
        node = client.add_node(drive.node, drive.eds)
        assert node.sdo[0x1018][4].raw == drive.serial
        assert node.sdo[0x1018][1].raw == (drive.vendor or 0)
        node.nmt.state = "OPERATIONAL"
        for word, mask, value in WALK:
            node.sdo[0x6040].raw = word
            assert node.sdo[0x6041].raw & mask == value
        node.sdo[0x6040].raw = 0
        assert node.sdo[0x6041].raw & 0x4F == 0x40


def test_a_plain_python_can_program_hears_the_drives() -> None:
    with can.Bus(interface="legtest", channel=str(LEGS[0]), ignore_config=True) as bus:
        bus.send(can.Message(arbitration_id=0x601, data=bytes.fromhex("4018100400000000"), is_extended_id=False))
        answer = next(m for m in iter(lambda: bus.recv(0.5), None) if m.arbitration_id == 0x581)
    assert int.from_bytes(answer.data[4:8], "little") == read_leg(LEGS[0]).joints[0].drive.serial
