"""`legtest scan` on the channel of a running rehearsal: what it sends, what it names, and that it lets go."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rehearsing import HOPPER, ROOT, Served, served

from legtest.canbus.candump import parse
from legtest.canbus.frame import REMOTE, Frame
from legtest.cli.main import main
from legtest.description import read_bench, read_leg
from legtest.errors import NotPermitted
from legtest.live import opened_to_read

STREAMS = ROOT / "fixtures/benches/streams.yaml"


def scan(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["scan", "--listen", "0.2", *map(str, arguments)])


def at_rate(rehearsal: Served, rate: str) -> Path:
    text = rehearsal.bench_file.read_text(encoding="utf-8")
    path = rehearsal.folder / "other.yaml"
    path.write_text(text.replace("1 Mbit/s", rate), encoding="utf-8")
    return path


def test_a_rehearsed_bench(tmp_path: Path) -> None:
    with served(tmp_path, leg=HOPPER) as rehearsal:
        first = scan("--bench", rehearsal.bench_file, "--json")
        wrong = scan("--bench", at_rate(rehearsal, "500 kbit/s"), "--leg", HOPPER)
        again = scan("--bench", rehearsal.bench_file, "--leg", HOPPER, "--clock", "16 MHz")
        rehearsal.end()
        wire = [frame for line in rehearsal.wire_log.read_bytes().splitlines() if (frame := parse(line)) is not None]
    assert first.exit_code == 0, first.output
    found = json.loads(first.output)
    drives = [joint.drive for joint in read_leg(str(HOPPER)).joints]
    assert [(node["node"], node["serial"]) for node in found["nodes"]] == [(d.node, d.serial) for d in drives]
    assert found["findings"] == []
    assert wrong.exit_code == 1
    assert "silence: nothing was heard and nobody answered" in wrong.output
    assert again.exit_code == 0, again.output
    assert "prescaler 1, segments 13 and 2" in again.output
    host = [f for f in wire if 0x600 < f.can_id < 0x680 or f.can_id < 0x80 or f.flags & REMOTE]
    assert len(host) > 2 * 127
    assert all(f.flags & REMOTE or f.data[0] in (0x40, 0x60, 0x70) for f in host), "reads and nothing else"
    assert not [f for f in wire if 0x200 <= f.can_id < 0x280 or f.can_id in (0x000, 0x080)]


def test_what_is_opened_for_a_scan_moves_nothing(tmp_path: Path) -> None:
    """Whoever opens it: also a user's own code gets no more than reads through."""
    with served(tmp_path, leg=HOPPER) as rehearsal:
        with opened_to_read(read_bench(rehearsal.bench_file)) as link:
            for can_id, data in ((0x000, b"\x01\x00"), (0x20B, b"\x0f\x00"), (0x60B, b"\x2b" + bytes(7))):
                with pytest.raises(NotPermitted, match="only reads"):
                    link.send(Frame(0, can_id, data))
            link.pump(link.now_ns() + 20_000_000)
        rehearsal.end()
        wire = [frame for line in rehearsal.wire_log.read_bytes().splitlines() if (frame := parse(line)) is not None]
    assert wire, "the log holds the truth behind the wire at least, in extended identifiers"
    assert [frame for frame in wire if frame.can_id < 0x700] == []


def test_only_the_declared_adapter_is_opened(tmp_path: Path) -> None:
    text = STREAMS.read_text(encoding="utf-8").replace("../stands", str(ROOT / "fixtures/stands"))
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("interface can0", "interface can9"), encoding="utf-8")
    done = scan("--bench", path)
    assert done.exit_code == 2
    assert "does not name the adapter at can0" in done.output


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        (["--leg", HOPPER], 0, "nothing wrong was seen on the bus"),
        (["--leg", HOPPER, "--no-ask"], 0, "nobody was asked"),
        ([], 2, "a simulated bus needs the leg that is on it: --leg"),
        (["--leg", HOPPER, "--clock", "16 ms"], 2, "not a unit of"),
        (["--leg", HOPPER, "--clock", "7 MHz"], 2, "does not divide to 1000 kbit/s"),
    ],
)
def test_on_a_simulated_bench(more: list[object], code: int, says: str) -> None:
    done = scan("--bench", ROOT / "fixtures/benches/simulated.yaml", *more)
    assert (done.exit_code, says in done.output) == (code, True), done.output
