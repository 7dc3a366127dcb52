"""An hour in one recording: python tests/benchmarks/bench_record.py [--minutes 60] [--bus]

Prints how the memory of the process grows while frames are made into samples and written, then how long sealing takes
and how large the files are. The frames are made up (three drives, 250 cycles/s), so an hour takes minutes. With --bus
a simulated leg holds still for so long instead, with the loop, the bus and the physics, which takes about six times as
long; its growth includes theirs.
"""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "records"))

from make_run import PERIOD_NS, STARTED, SYNC, make_bench, make_frames, make_leg, make_segment, make_wiremap

from legtest.canbus import candump
from legtest.recording import Recording
from legtest.records.part import PartWriter
from legtest.records.reading import read_run
from legtest.records.run import RunWriter
from legtest.records.samples import SEALED, STREAM
from legtest.records.segment import Span

ROOT = Path(__file__).resolve().parents[2]
MINUTE = 60 * 250  # cycles


def resident() -> float:
    """Memory of this process, MB."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


@contextmanager
def timed(what: str) -> Iterator[None]:
    began, spent = time.perf_counter(), time.process_time()
    yield
    print(f"{what}: {time.perf_counter() - began:.1f} s, processor {time.process_time() - spent:.1f} s", flush=True)


class Growth:
    """Memory minute by minute. The first minutes fill what is filled once, and do not count."""

    def __init__(self, minutes: int) -> None:
        self.from_minute, self.seen = min(5, minutes // 3), list[float]()

    def minute(self) -> None:
        self.seen.append(resident())
        if len(self.seen) % 10 == 0:
            print(f"minute {len(self.seen)}: {self.seen[-1]:.1f} MB", flush=True)

    def tell(self) -> None:
        later = self.seen[self.from_minute :]
        minutes = max(1, len(later) - 1)
        print(f"growth from minute {self.from_minute + 1} on: {later[-1] - later[0]:.2f} MB in {minutes} minutes")


def made_up(part: PartWriter, minutes: int) -> None:
    """One movement of made-up frames."""
    maps = [make_wiremap(joint.name, joint.drive.node) for joint in make_leg().joints]
    part.begin(leg="tarn-fl", test="hour", seed=1, wiremaps=maps, sync_id=SYNC)
    kept, growth, at = part.movement(), Growth(minutes), 0
    recording = Recording(0, maps, SYNC, kept)
    recording.begin_span(0)
    for minute in range(minutes):
        for second in range(60):
            frames = make_frames(maps, 250, seed=minute, from_cycle=minute * MINUTE + second * 250)
            for frame in frames:
                part.frame_sink.write(candump.line(frame))
            recording.absorb(frames)
            at += len(frames)
        growth.minute()
    recording.end_span(Span("hold", 0, at))
    growth.tell()
    with timed("reading it back for the evaluation"):
        whole = recording.samples()
    print(f"{len(whole)} rows, {len(whole.columns)} columns; {resident():.0f} MB while they are in memory")
    segment = make_segment("hold", None, tuple(recording.spans))
    part.segment(minutes * MINUTE * PERIOD_NS, segment, [kept.kept(0, at)], test="hour")


def on_the_bus(run: RunWriter, minutes: int) -> Path:
    """A simulated leg that holds still."""
    from legtest.session import Setting, open_simulated

    setting = Setting([str(ROOT / "fixtures/legs/tarn-fl.yaml")], None, 1, [], False)
    opened = open_simulated(setting, setting.legs[0], run.folder, "hour", lambda: "")
    bench, growth = opened.bench, Growth(minutes)
    with bench.recording("hold", None, "The leg is held still."), bench.energised():
        for _ in range(minutes):
            for _ in range(6):
                bench.wait(10.0)
            growth.minute()
    growth.tell()
    with timed("sealing and closing"):
        opened.close()
    return opened.log.part.folder


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--minutes", type=int, default=60)
    parser.add_argument("--bus", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        run = RunWriter.create(Path(home), now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
        if options.bus:
            with timed("the whole run"):
                folder = on_the_bus(run, options.minutes)
        else:
            part = run.part("hour")
            with timed("making and recording"):
                made_up(part, options.minutes)
            folder = part.folder
            gc.collect()
            stream = (folder / STREAM).stat().st_size
            before = resident()
            with timed("sealing"):
                part.end(0)
            print(f"memory {before:.0f} MB before, {resident():.0f} MB after")
            print(f"stream {stream / 1e6:.1f} MB")
        sealed, frames = (folder / SEALED).stat().st_size, (folder / "frames.log").stat().st_size
        found = read_run(run.folder).parts[0]
        raw = sum(kept.rows for kept in found.rows.values()) * 8 * (len(found.samples("0000").columns) + 1)
        print(f"sealed {sealed / 1e6:.1f} MB, frame log {frames / 1e6:.1f} MB, samples as numbers {raw / 1e6:.0f} MB")
        print(f"sealed : numbers 1 : {raw / sealed:.1f}; with the frame log 1 : {raw / (sealed + frames):.2f}")
        with timed("one column of the whole movement"):
            found.samples("0000", ["knee.torque"])
        with timed("the whole movement"):
            found.samples("0000")


if __name__ == "__main__":
    main()
