"""What a control cycle of a simulated leg costs while it holds: python tests/benchmarks/bench_chain.py [LEG.yaml]

The same ten seconds three ways: the whole chain (loop, monitor, log lines, bus, drives, physics); without the loop, its
frames of the first way sent again to the bus; and the bare physics. Processor time, best of three.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path
from typing import NamedTuple

import mujoco

from legtest import wiring
from legtest.canbus.frame import Frame
from legtest.canbus.link import Link
from legtest.description import default_bench, read_leg
from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.rig import Rig, build_rig

HOLD_s = 10
REPEATS = 3
SYNC = 0x80
LEG = Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-fl.yaml"


class Recording:
    """A link that also keeps what the host sends, and when."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.sent: list[tuple[int, Frame]] = []
        self.now_ns, self.pump, self.close = link.now_ns, link.pump, link.close

    def send(self, frame: Frame) -> None:
        self.sent.append((self.now_ns(), frame))
        self._link.send(frame)


class Hold(NamedTuple):
    """One measured hold. spent_s: processor time; frames: on the bus since its beginning."""

    spent_s: float
    start_ns: int
    end_ns: int
    frames: int


def whole_chain(path: Path) -> tuple[Hold, list[tuple[int, Frame]]]:
    """A hold by the whole chain, and what the host sent."""
    leg, bench_description = read_leg(path), default_bench()
    rig = wiring.simulated_rig(leg, bench_description, seed=1)
    link, log = Recording(rig.link), wiring.NullLog()
    bench = wiring.bench_on(
        link, leg, bench_description, hands=rig.person, by="benchmark", log=log, frames=log, events=lambda event: None
    )
    with bench.energised():
        bench.wait(1)
        start_ns, begin = bench.now_ns(), time.process_time()
        bench.wait(HOLD_s)
        spent = time.process_time() - begin
        hold = Hold(spent, start_ns, bench.now_ns(), rig.bus.load().frames)
    return hold, link.sent


def without_the_loop(path: Path, hold: Hold, sent: list[tuple[int, Frame]]) -> tuple[float, Rig]:
    """Processor time (s) of the same hold, the host's frames sent again to a new rig; and that rig at the end of it."""
    rig = build_rig(read_leg(path), default_bench(), seed=1)
    link, begin = rig.link, 0.0
    for t_ns, frame in sent:
        if t_ns >= hold.end_ns:
            break
        if t_ns >= hold.start_ns and not begin:
            link.pump(hold.start_ns)
            begin = time.process_time()
        if t_ns > link.now_ns():
            link.pump(t_ns)
        link.send(frame)
    link.pump(hold.end_ns)
    spent = time.process_time() - begin
    if rig.bus.load().frames != hold.frames:
        raise SystemExit("the drives did not do the same again: the figures cannot be compared")
    return spent, rig


def bare_physics(rig: Rig, steps: int, cycles: int) -> float:
    """Processor time (s) of as many cycles of nothing but physics."""
    begin = time.process_time()
    for _ in range(cycles):
        mujoco.mj_step(rig.physics.model, rig.physics.data, steps)
    return time.process_time() - begin


def main() -> None:
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else LEG
    best = dict.fromkeys(("whole chain", "without the loop", "bare physics"), math.inf)
    for _ in range(REPEATS):
        hold, sent = whole_chain(path)
        alone, rig = without_the_loop(path, hold, sent)
        span_ns = hold.end_ns - hold.start_ns
        cycles = sum(hold.start_ns <= t_ns < hold.end_ns and frame.can_id == SYNC for t_ns, frame in sent)
        bare = bare_physics(rig, span_ns // STEP_NS // cycles, cycles)
        for what, spent in zip(best, (hold.spent_s, alone, bare), strict=True):
            best[what] = min(best[what], spent)
    for what, spent in best.items():
        cycle_us, ratio, share = spent / cycles * 1e6, span_ns * 1e-9 / spent, best["bare physics"] / spent
        print(f"{what:17s} {cycle_us:6.1f} us per cycle, {ratio:6.1f} times real time, physics {share:4.0%}")


if __name__ == "__main__":
    main()
