"""Jitter of the control cycle over a pseudo-terminal: python tests/benchmarks/bench_live.py

A rehearsal in its own process, the live link, the loop: the same code as a live run, but no real adapter. A USB adapter
adds its own hold-off (often 1 to 16 ms) and a real line its bit rate; nothing here says how large those are.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

from rehearsing import opened, served

from legtest.bench import Bench
from legtest.canbus.frame import SENT, Frame

SECONDS = 10.0


def quantiles(values: list[float]) -> str:
    """p50, p99 and largest."""
    ordered = sorted(values)
    return (
        f"p50 {ordered[len(ordered) // 2]:7.0f}  p99 {ordered[int(0.99 * len(ordered))]:7.0f}  max {ordered[-1]:7.0f}"
    )


def ages_us(frames: list[Frame], bench: Bench) -> list[float]:
    """From each SYNC to the arrival of each drive's answer to it."""
    answers = {0x180 + joint.drive.node for joint in bench.leg.joints}
    sync_ns, ages = 0, []
    for frame in frames:
        if frame.can_id == 0x80 and frame.flags & SENT:
            sync_ns = frame.t_ns
        elif frame.can_id in answers and sync_ns:
            ages.append((frame.t_ns - sync_ns) * 1e-3)
    return ages


def measure(rate: int) -> None:
    """One powered, still leg for a while."""
    with tempfile.TemporaryDirectory() as folder, served(Path(folder), rate) as rehearsal:
        bench = opened(rehearsal.bench_file, rehearsal.signoff)
        with bench.energised():
            bench.wait(1.0)
            with bench.recording("jitter", None, "still") as recording:
                cpu, wall = time.process_time(), time.perf_counter()
                bench.wait(SECONDS)
                share = (time.process_time() - cpu) / (time.perf_counter() - wall)
        bench.close()
    assert recording.result is not None
    timing = recording.result.segment.timing
    print(f"{rate:4d} cycles/s, pseudo-terminal, {timing.cycles} cycles, this process {share:.0%} of a core")
    late = f"p50 {timing.lateness_p50_ns / 1e3:7.0f}  p99 {timing.lateness_p99_ns / 1e3:7.0f}"
    late += f"  max {timing.lateness_max_ns / 1e3:7.0f}   slots missed {timing.missed}"
    print(f"     lateness of a cycle [us]   {late}")
    print(f"     SYNC to telemetry [us]     {quantiles(ages_us(recording.frames, bench))}"
          f"   lost {timing.lost} of {timing.expected}")  # fmt: skip


if __name__ == "__main__":
    print(f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
    for rate in (60, 250):
        measure(rate)
