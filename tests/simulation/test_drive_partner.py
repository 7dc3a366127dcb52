"""The drive against an independent CANopen implementation (python-canopen), and that a run repeats bit for bit."""

from __future__ import annotations

import hashlib
import queue
from pathlib import Path

import canopen
import pytest
from analytic_axis import AnalyticAxis
from canopen.sdo.client import SdoClient
from drive_host import MS, NODE, Bench

from legtest.simulation.bus import VirtualBus
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity

EDS = Path(__file__).parents[2] / "fixtures" / "drives" / "axis.eds"


class Pumping(queue.Queue):  # type: ignore[type-arg]
    """Waiting for an answer lets virtual time pass; an answer that does not come within 300 ms is missing."""

    def __init__(self, partner: Partner) -> None:
        super().__init__()
        self._partner = partner

    def get(self, block: bool = True, timeout: float | None = None) -> bytes:
        for _ in range(300 if block else 0):
            if not self.empty():
                break
            self._partner.wait(MS)
        return super().get(block=False)  # type: ignore[no-any-return]


class Client(SdoClient):  # type: ignore[misc]
    """request_response replaces the queue when stale answers lie in it: keep ours."""

    def __init__(self, partner: Partner, *arguments: object) -> None:
        super().__init__(*arguments)
        self._pumping = Pumping(partner)

    @property
    def responses(self) -> Pumping:
        return self._pumping

    @responses.setter
    def responses(self, value: object) -> None:
        if hasattr(self, "_pumping"):
            self._pumping.queue.clear()


class Drive(canopen.RemoteNode):  # type: ignore[misc]
    """A remote node whose SDO client waits in virtual time."""

    def __init__(self, partner: Partner) -> None:
        self._partner = partner
        super().__init__(NODE, str(EDS))

    def add_sdo(self, rx_cobid: int, tx_cobid: int) -> Client:
        client = Client(self._partner, rx_cobid, tx_cobid, self.object_dictionary)
        self.sdo_channels.append(client)
        return client


class Partner(canopen.Network):  # type: ignore[misc]
    """python-canopen's host side on a VirtualLink, in one thread."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench
        self.drive = Drive(self)
        self.add_node(self.drive)

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        self._bench.send(can_id, bytes(data))

    def wait(self, span_ns: int) -> None:
        for frame in self._bench.wait(span_ns):
            if not frame.flags:
                self.notify(frame.can_id, bytearray(frame.data), frame.t_ns * 1e-9)


@pytest.fixture
def partner() -> Partner:
    return Partner(Bench(identity=Identity(serial=4102)))


def test_sdo(partner: Partner) -> None:
    sdo = partner.drive.sdo
    assert sdo["Device type"].raw == 0x00020192
    assert sdo["Identity object"]["Serial number"].raw == 4102
    assert sdo["Manufacturer device name"].raw == "Tarn axis"  # segmented
    sdo["Target position"].raw = -12345
    assert sdo["Target position"].raw == -12345
    sdo["Interpolation time period"]["Interpolation time index"].raw = -4
    assert sdo["Interpolation time period"]["Interpolation time index"].raw == -4
    with pytest.raises(canopen.SdoAbortedError) as refused:
        sdo["Statusword"].raw = 0
    assert refused.value.code == 0x06010002


def test_pdo_mapping_and_a_cycle(partner: Partner) -> None:
    drive = partner.drive
    drive.tpdo.read()
    drive.rpdo.read()
    feedback = drive.tpdo[1]
    feedback.clear()
    for name in ("Statusword", "Position actual value", "Torque actual value"):
        feedback.add_variable(name)
    feedback.trans_type, feedback.enabled = 1, True
    feedback.save()
    partner.nmt.send_command(0x80)
    drive.nmt.send_command(1)
    partner._bench.axis.position = 0.1
    partner.wait(MS)
    partner.send_message(0x80, b"")
    partner.wait(5 * MS)
    assert feedback["Statusword"].raw & 0x6F == 0x40
    assert feedback["Position actual value"].raw == round(0.1 * 65536 / 6.283185307179586)


def test_heartbeat_and_emergency(partner: Partner) -> None:
    drive = partner.drive
    drive.sdo["Producer heartbeat time"].raw = 10
    partner.nmt.send_command(1)
    partner.wait(30 * MS)
    assert drive.nmt.state == "OPERATIONAL"
    partner.send_message(0x205, b"\x06\x00\x00")  # one byte too long
    partner.wait(MS)
    assert [error.code for error in drive.emcy.active] == [0x8220]


def wire_hash(seed: int, slices: int = 1) -> str:
    """SHA-256 of all frames of a lossy run with two drives."""
    bus = VirtualBus(1_000_000)
    link = VirtualLink(bus, loss=0.05, seed=seed)
    for node in (1, 2):
        DriveNode(bus, node, AnalyticAxis(), Identity(), DriveConfig())
    bench = Bench.__new__(Bench)
    bench.link, bench.log = link, []
    digest = hashlib.sha256()
    for n in range(200):
        bench.send(0x000, b"\x01\x00")
        bench.send(0x080)
        for node in (1, 2):
            bench.send(0x200 + node, (6, 7, 15)[n % 3].to_bytes(2, "little"))
            bench.send(0x600 + node, bytes.fromhex("4064600000000000"))
        for part in range(slices):
            for frame in link.pump(n * 4 * MS + (part + 1) * 4 * MS // slices):
                digest.update(repr(tuple(frame)).encode())
    return digest.hexdigest()


def test_a_run_repeats_bit_for_bit() -> None:
    assert wire_hash(7) == wire_hash(7) == wire_hash(7, slices=13)
    assert wire_hash(7) != wire_hash(8)
