"""SIGKILL at random instants of a simulated run: python tests/records/kill_runs.py --kills 200 --seed 1

Each run is a process that opens a simulated leg twice, moves it, records, judges, seals and writes its reports. It says
through a pipe what it has journalled and which rows of samples it has written; whatever it said must be in what it
leaves behind. Prints how many were killed at which stage; exit code 1 and the reason when anything is lost.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import select
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from legtest.judge import Judge
from legtest.keeper.system import monotonic_ns
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine
from legtest.records.journal import Event, Journal
from legtest.records.reading import Part, read_run, verify
from legtest.records.run import RunWriter
from legtest.records.sink import FrameSink
from legtest.records.stream import StreamWriter
from legtest.reports.write import write_reports
from legtest.session import Setting, open_simulated
from tests.records.make_run import STARTED

LEG = Path(__file__).parents[2] / "fixtures/legs/tarn-hopper.yaml"
PARTS = 2
HOLD_S = 3.0

Say = Callable[[list[Any]], None]


def tell(say: Say) -> None:
    """Say what has reached the operating system, when the call that wrote it has returned."""
    append, add, flush, seal = Journal.append, StreamWriter.add, FrameSink.flush, RunWriter.seal

    def said_append(journal: Journal, *arguments: Any) -> Event:
        event = append(journal, *arguments)
        say(["event", str(journal._path), event.n, event.kind])
        return event

    def said_add(stream: StreamWriter, *arguments: Any) -> None:
        add(stream, *arguments)
        say(["rows", str(stream.path.parent), stream.rows])

    def said_flush(sink: FrameSink) -> None:
        flush(sink)
        say(["frames", str(sink._path.parent), sink._path.read_bytes().count(b"\n")])

    def said_seal(run: RunWriter) -> Any:
        header = seal(run)
        say(["sealed", str(run.folder), 0])
        return header

    Journal.append, StreamWriter.add = said_append, said_add  # type: ignore[method-assign, assignment]
    FrameSink.flush, RunWriter.seal = said_flush, said_seal  # type: ignore[method-assign]


def whole_run(runs: Path) -> Path:
    """A run of a few parts on the simulated leg."""
    setting = Setting([str(LEG)], None, 1, [], False)
    (leg,) = setting.legs
    run = setting.create_run(runs, STARTED, ())
    for n in range(PARTS):
        opened = open_simulated(setting, leg, run.folder, f"t.py::test_{n}", lambda: "")
        bench = opened.bench
        for _ in range(2):
            with bench.recording("hold", None, "The leg is held still."), bench.energised():
                bench.wait(HOLD_S)
        value = measurement("backlash", leg.joint_names[0], 0.001, (BudgetLine("guess", 1e-4),), reference="internal")
        bench.keep((value,))
        Judge(leg, opened.log, f"t.py::test_{n}")(value)
        opened.close()
        run.test_end(f"t.py::test_{n}", "pass", leg=leg.name, seconds=0.5)
    run.seal()
    write_reports(read_run(run.folder))
    return run.folder


def killed(runs: Path, things: int, more_s: float) -> tuple[list[list[Any]], bool]:
    """What a run said until it was killed, so long after so many things, and whether it was killed at all.

    Counted in things, an instant does not depend on how busy the machine is.
    """
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(reading)
            tell(lambda what: os.write(writing, json.dumps(what).encode() + b"\n") and None)
            whole_run(runs)
        finally:
            os._exit(0)
    os.close(writing)
    end, heard, dead = monotonic_ns() * 1e-9 + 600.0, b"", False
    while True:
        if heard.count(b"\n") >= things:
            end, things = monotonic_ns() * 1e-9 + more_s, sys.maxsize
        left = max(0.0, end - monotonic_ns() * 1e-9)
        if not dead and left == 0.0:
            os.kill(pid, signal.SIGKILL)
            dead = True
        ready, _, _ = select.select([reading], [], [], 60.0 if dead else left)
        if ready:
            chunk = os.read(reading, 1 << 16)
            if not chunk:
                break
            heard += chunk
    os.close(reading)
    _, status = os.waitpid(pid, 0)
    return [json.loads(line) for line in heard.splitlines()], os.WIFSIGNALED(status)


def check(runs: Path, said: list[list[Any]]) -> str:
    """At which stage the run was killed. AssertionError when something it said is not there, or claims too much."""
    found = [path for path in runs.iterdir() if not path.name.startswith(".")] if runs.exists() else []
    if not found:
        assert not said, "a run that journalled has left nothing"
        return "nothing"
    (folder,) = found
    run, problems = read_run(folder), verify(folder)
    parts = {str(part.folder): part for part in run.parts}
    events = {str(folder / "journal.jsonl"): run.events}
    events |= {str(part.folder / "journal.jsonl"): part.events for part in run.parts}
    for what, where, number, *more in said:
        if what == "event":
            assert len(events[where]) > number, f"{where}: event {number} is lost"
            assert events[where][number].kind == more[0], f"{where}: event {number} is another one"
        elif what == "rows":
            assert _rows(parts[where]) >= number, f"{where}: {number} rows were written"
        elif what == "frames":
            assert parts[where].frame_log.frames >= number, f"{where}: {number} frames were flushed"
    for part in run.parts:
        _read(part)
    sealed = run.header.sealed is not None
    assert sealed or not any(what == "sealed" for what, *_ in said), "the seal is lost"
    assert sealed == (problems == []), problems
    write_reports(run)
    if sealed:
        return "sealed"
    running = [part for part in run.parts if not part.ended]
    if any("a stream that was never sealed" in problem for problem in problems):
        assert running, problems
        return "samples running"
    return "part running" if running else "between parts"


def _rows(part: Part) -> int:
    from legtest.records.samples import SampleFile

    if part.sample_file is None:
        return 0
    with SampleFile.open(part.sample_file) as file:
        return file.rows


def _read(part: Part) -> None:
    """All that the journal speaks of can be read."""
    frames = part.frame_log.frames
    for record in part.segments:
        for name in record.samples:
            trace = part.samples(name)
            assert len(trace), f"{part.folder}: no samples"
            assert trace.last_frame <= frames, f"{part.folder}: frames that are not there"
    assert not frames or len(part.frames(0, frames)) == frames


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    stages: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as home:
        whole_run(Path(home) / "first")  # whatever is imported late is there from now on
        began = monotonic_ns() * 1e-9
        whole, was_killed = killed(Path(home) / "whole", sys.maxsize, 0.0)
        lasts_s = monotonic_ns() * 1e-9 - began
        if was_killed or check(Path(home) / "whole", whole) != "sealed":
            print("the run that was left alone did not end")
            return 1
        print(f"a whole run takes {lasts_s:.2f} s and says {len(whole)} things", flush=True)
        for n in range(options.kills):
            runs, more_s = Path(home) / f"{n:04d}", rng.uniform(0.0, 2 * lasts_s / len(whole))
            said, was_killed = killed(runs, rng.randrange(len(whole)), more_s)
            try:
                stages[check(runs, said) if was_killed else "ended before"] += 1
            except AssertionError as error:
                print(f"kill {n}: {error}")
                return 1
    print(f"{options.kills} kills, nothing lost: {', '.join(f'{n} {stage}' for stage, n in stages.most_common())}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
