"""What the mechanics cost: microseconds a physics step, and how much faster than real time a leg runs.

Run: python tests/benchmarks/bench_physics.py
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "simulation"))

from make_leg import make_bench, make_leg
from make_mechanics import MS, Mechanics, S

from legtest.description.setup import SetUp
from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.plant import plant_of

_SPAN_NS = 2 * S
_REPEATS = 7


def report(name: str, prepare: Callable[[], Mechanics], run: Callable[[Mechanics], None]) -> None:
    """The median of some repeats, each on a leg of its own."""
    spent = []
    for _ in range(_REPEATS):
        rig = prepare()
        since = time.perf_counter()
        run(rig)
        spent.append(time.perf_counter() - since)
    seconds = statistics.median(spent)
    step_us = seconds / (_SPAN_NS / STEP_NS) * 1e6
    print(f"{name:45s} {step_us:6.2f} us/step  {_SPAN_NS * 1e-9 / seconds:6.0f} x real time")


def leg(planar: bool = False, setup: SetUp | None = None) -> Mechanics:
    rig = Mechanics(plant_of(make_leg(planar=planar), make_bench(), 1))
    if setup is not None:
        rig.person.arrange(setup)
    return rig


def idle(rig: Mechanics) -> None:
    rig.wait(_SPAN_NS)


def cyclic(rig: Mechanics) -> None:
    """Readings and set-points of every axis 250 times a second, without bus and firmware."""
    rig.power()
    starts = [axis.demand_rad(rig.now_ns) for axis in rig.axes]
    for k in range(_SPAN_NS // (4 * MS)):
        for axis, start in zip(rig.axes, starts, strict=True):
            axis.read(rig.now_ns)
            axis.follow(rig.now_ns, start + 0.1 * math.sin(0.025 * k), 4 * MS, 0.0)
        rig.wait(4 * MS)


def main() -> None:
    report("three-joint leg, hanging", leg, idle)
    report("planar leg, hanging", lambda: leg(planar=True), idle)
    report("three-joint leg, standing (foot in contact)", lambda: leg(setup=SetUp.STANDING), idle)
    report("three-joint leg, foot clamped", lambda: leg(setup=SetUp.FOOT_CLAMPED), idle)
    report("three-joint leg, 250 set-points/s", leg, cyclic)
    report("three-joint leg, standing, 250 set-points/s", lambda: leg(setup=SetUp.STANDING), cyclic)
    since = time.perf_counter()
    for _ in range(20):
        leg()
    print(f"building a leg (0.5 s settled)                {(time.perf_counter() - since) / 20 * 1e3:6.2f} ms")


if __name__ == "__main__":
    main()
