"""A rehearsal as its own process, for tests: started, waited for by what it prints, ended."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from legtest.bench import Bench
from legtest.description import read_bench, read_leg
from legtest.description.model import BenchDescription
from legtest.live import open_live
from legtest.wiring import NullLog

ROOT = Path(__file__).parents[2]
LEG = ROOT / "fixtures/legs/tarn-fl.yaml"
HOPPER = ROOT / "fixtures/legs/tarn-hopper.yaml"  # two joints: a shorter pre-check
SEED = 1


class Served:
    """A running rehearsal: its bench file, its channel and what it printed."""

    def __init__(self, folder: Path, rate: int, leg: Path = LEG) -> None:
        self.leg, self.folder = leg, folder
        self.wire_log = next(p for n in range(100) if not (p := folder / f"wire{n}.log").exists())
        self.channel = folder / "adapter"
        self.bench_file = bench_file(folder / "bench.yaml", str(self.channel), rate=rate)
        self.signoff = Path(f"{self.channel}.signoff.json")
        command = [sys.executable, "-c", "from legtest.cli.main import main; main()", "rehearse", "--leg", str(leg)]
        command += ["--bench", str(self.bench_file), "--seed", str(SEED), "--log", str(self.wire_log)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT)
        assert self.process.stdout is not None
        self.said: list[str] = []
        for line in self.process.stdout:
            self.said.append(line)
            if "Ctrl-C" in line:
                break

    def end(self, number: int = signal.SIGTERM) -> tuple[int, str]:
        """Exit code, and what it said since it was ready."""
        self.process.send_signal(number)
        said, _ = self.process.communicate(timeout=10)
        return self.process.returncode, said


@contextmanager
def served(folder: Path, rate: int = 60, leg: Path = LEG) -> Iterator[Served]:
    rehearsal = Served(folder, rate, leg)
    try:
        yield rehearsal
    finally:
        rehearsal.process.terminate()
        rehearsal.process.communicate(timeout=10)


def bench_file(path: Path, channel: str, interface: str = "slcan", rate: int = 60) -> Path:
    """The rehearsal bench of the streams bench, at another channel.

    At 60 cycles/s, so that the tests hold on a machine that does other work as well; see benchmarks/bench_live.py.
    """
    text = (ROOT / "fixtures/benches/rehearsal.yaml").read_text(encoding="utf-8")
    text = text.replace("/tmp/legtest-rehearsal", channel).replace("slcan", interface).replace("250 /s", f"{rate} /s")
    path.write_text(text.replace("../stands", str(ROOT / "fixtures/stands")), encoding="utf-8")
    return path


def bench_of(path: Path) -> BenchDescription:
    return read_bench(path)


def opened(
    bench: Path, signoff: Path, events: list[str] | None = None, *, leg: Path = LEG, **changes: Any
) -> Bench:
    """The live bench, as the plugin opens it, without a record unless `folder` is given."""
    arguments: dict[str, Any] = {
        "log": NullLog(),
        "folder": None,
        "events": (events if events is not None else []).append,
        "may_energise": lambda: "",
    }
    if "now" not in changes:
        arguments["now"] = datetime.fromisoformat(json.loads(signoff.read_bytes())["made_at"]) + timedelta(minutes=1)
    return open_live(read_leg(leg), read_bench(bench), signoff, **arguments | changes)
