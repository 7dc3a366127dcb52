"""Made-up runs of full size: many long movements of three axes, twelve channels at 250 samples/s."""

from __future__ import annotations

from math import radians
from pathlib import Path

import numpy as np

from legtest.records.run import RunWriter
from legtest.records.segment import Rows, Segment, Span, Timing
from legtest.records.trace import UNITS, Trace
from legtest.records.tracer import spans_of
from tests.records.make_run import COUNTS, PER_MILLE, PERIOD_NS, STARTED, Filling, make_bench, make_leg, value

FRAMES = 8  # of each cycle
JOINT = "knee"
PIECE = 1000  # rows


def big_trace(rows: int, seed: int = 0) -> Trace:
    """Swinging axes with noise as drives report them, a torque spike of two samples at a third."""
    rng = np.random.default_rng(seed)
    t_ns = np.arange(rows) * PERIOD_NS
    columns = {}
    for axis in ("abduction", "hip", "knee"):
        phase = 2 * t_ns / 1e9 + rng.uniform(0, 6)
        torque = 2.5 * np.sin(phase) + rng.normal(0, 0.06, rows)
        torque[rows // 3 : rows // 3 + 2] = 15.0
        angle = 0.4 * np.sin(phase - 0.008) + rng.normal(0, 2e-4, rows)
        columns[f"{axis}.setpoint"] = np.rint(0.4 * np.sin(phase) / COUNTS) * COUNTS
        columns[f"{axis}.position"] = np.rint(angle / COUNTS) * COUNTS
        columns[f"{axis}.torque"] = np.rint(torque / PER_MILLE) * PER_MILLE
        columns[f"{axis}.torque_cap"] = np.full(rows, 9.0)
    units = {name: UNITS[name.rpartition(".")[2]] for name in columns}
    return Trace(t_ns, columns, units, 0, FRAMES * rows, np.arange(rows) * FRAMES)


def big_run(runs: Path, movements: int, rows: int) -> Path:
    """Write the run, a test for each movement, and return its folder."""
    leg = make_leg()
    run = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), seed=1)
    for n in range(movements):
        test = f"suites/long.py::test_{n:02d}[{leg.name}-{JOINT}]"
        filling = Filling(run.part(test), leg, test)
        spans = (Span("there", 0, FRAMES * rows // 2), Span("back", FRAMES * rows // 2, FRAMES * rows))
        timing = Timing(rows, PERIOD_NS, 0, 20_000, 60_000, 0, 0, 3 * rows)
        segment = Segment("long swing", JOINT, {"speed_rad_s": 0.8}, spans, timing)
        filling.part.segment(
            rows * PERIOD_NS, segment, [_kept(filling, segment, n)], test=test, method="The leg swings."
        )
        filling.judge(value("backlash", JOINT, radians(0.2), ("scatter", radians(0.01))))
        filling.part.end(0)
        run.test_end(test, "pass", leg=leg.name, seconds=1.0)
    run.seal()
    return run.folder


def _kept(filling: Filling, segment: Segment, seed: int) -> Rows:
    """Write the samples in pieces, as a run does."""
    trace, movement = big_trace(segment.timing.cycles, seed), filling.part.movement()
    spans = spans_of(trace.sync, [(span.first, span.last) for span in segment.spans])
    for first in range(0, len(trace), PIECE):
        piece = slice(first, first + PIECE)
        movement.add(trace.rows(piece), spans[piece])
    return movement.kept(trace.first_frame, trace.last_frame)
