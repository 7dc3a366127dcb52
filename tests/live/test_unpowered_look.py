"""A look at a live bus without power: what it opens, and that nothing can be energised through it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rehearsing import HOPPER, ROOT, bench_of, served

from legtest.canbus.candump import parse
from legtest.description import read_bench, read_leg
from legtest.errors import LegtestError, NotPermitted, UsageError
from legtest.keeper.port import PipePort
from legtest.live import check_adapter, open_unpowered

STREAMS = ROOT / "fixtures/benches/streams.yaml"


def test_the_adapter_must_be_the_declared_one() -> None:
    bench = read_bench(str(STREAMS))
    assert bench.protection is not None
    declared = bench.protection._replace(adapter="interface can3")
    check_adapter(replace(bench, interface="socketcan", channel="can3", protection=declared))
    with pytest.raises(UsageError, match=r"socketcan:can0.*write 'can0'"):
        check_adapter(replace(bench, interface="socketcan", channel="can0", protection=declared))
    with pytest.raises(UsageError, match="'none' does not name"):
        check_adapter(replace(bench, interface="socketcan", channel="can0", protection=None))


def test_a_look_brings_telemetry_and_earns_no_permit(tmp_path: Path) -> None:
    with served(tmp_path, leg=HOPPER) as rehearsal:
        port = open_unpowered(read_leg(str(HOPPER)), bench_of(rehearsal.bench_file))
        try:
            steps = port.scan()
            frames = port.pump(port.now_ns() + 300_000_000)
            with pytest.raises(NotPermitted):
                port.precheck()
            assert isinstance(port, PipePort)
            port._may_energise = lambda: ""  # whatever the host says, the keeper's own ledger refuses
            with pytest.raises(LegtestError):
                port.precheck()
        finally:
            port.close()
        rehearsal.end()
        wire = [parse(line) for line in rehearsal.wire_log.read_bytes().splitlines()]
    assert [step.name for step in steps][1:3] == ["listening", "identity"]
    assert sum(0x181 <= frame.can_id <= 0x1FF for frame in frames) > 5
    words = [f.data for f in wire if f is not None and 0x201 <= f.can_id <= 0x27F and not f.flags]
    assert not [data for data in words if data[0] & 0x0F == 0x0F], "no drive was asked to enable operation"
