"""A process that writes runs and is killed while it does: python killed_writer.py FOLDER SEED COUNT.

Each run is written by a child that kills itself (SIGKILL) at one point of its life, drawn by the seed from all of them:
before or after any system call that opens, makes, renames or writes, and in the middle of what it writes. The first
child is left alone; what it prints is how many points there are. Prints a line for each child: point, folder.
"""

from __future__ import annotations

import os
import random
import signal
import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from legtest.records.reading import read_run
from legtest.records.run import RunWriter
from legtest.reports.write import write_reports
from tests.records.make_run import STARTED, Filling, make_bench, make_leg, value

EVENTS = {"open", "os.mkdir", "os.rename", "os.remove", "os.truncate"}
CYCLES = 40
PARTS = 2


def make_run(runs: Path) -> Path:
    """A run of a few parts, each with a movement and two values."""
    leg = make_leg()
    run = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), seed=1)
    for n in range(PARTS):
        filling = Filling(run.part(f"t.py::test_{n}"), leg, f"t.py::test_{n}")
        filling.move("backlash", "knee", CYCLES, method="")
        for quantity in ("backlash", "homing_repeatability"):
            filling.judge(value(quantity, "knee", 0.001, ("scatter", 0.0002)))
        filling.part.end(0)
        run.test_end(filling.test, "pass", leg=leg.name, seconds=0.5)
    run.seal()
    return run.folder


class Points:
    """Counts the points of a process' life, and ends it at one of them."""

    def __init__(self, last: int, share: float) -> None:
        self.count, self.last, self.share = 0, last, share
        self._write: Callable[[int, bytes], int] = os.write
        os.write = self.write  # type: ignore[assignment]
        sys.addaudithook(self.audit)

    def audit(self, event: str, _: object) -> None:
        if event in EVENTS and self.reached():
            os.kill(os.getpid(), signal.SIGKILL)

    def write(self, fd: int, data: bytes, /) -> int:
        if self.reached():
            self._write(fd, bytes(data)[: int(len(data) * self.share)])
            os.kill(os.getpid(), signal.SIGKILL)
        return self._write(fd, data)

    def reached(self) -> bool:
        self.count += 1
        return self.count == self.last


def child(folder: Path, last: int, share: float) -> int:
    """Write a run with its reports in a process of its own; the number of points it had, 0 when it was killed."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            points = Points(last, share)
            write_reports(read_run(make_run(folder)))
            count = points.count
            points.last = 0
            os.write(writing, str(count).encode())
        finally:
            os._exit(0)
    os.close(writing)
    said = os.read(reading, 20)
    os.close(reading)
    _, status = os.waitpid(pid, 0)
    if bool(said) == os.WIFSIGNALED(status):
        raise SystemExit(f"point {last}: status {status}, said {said!r}")
    return int(said or b"0")


def main() -> None:
    home, seed, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    write_reports(read_run(make_run(home / "first")))  # whatever is imported late is there from now on
    points = child(home / "whole", 0, 0.0)
    print(points, home / "whole", flush=True)
    rng = random.Random(seed)
    for last in sorted(rng.sample(range(1, points + 1), count)):
        folder = home / f"{last:05d}"
        child(folder, last, rng.random())
        print(last, folder, flush=True)


if __name__ == "__main__":
    main()
