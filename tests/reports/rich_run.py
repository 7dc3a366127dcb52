"""A made-up run with one of everything a report can show: outcomes of a baseline, trends, attendance, stops.

Every number in it is invented.
"""

from __future__ import annotations

from dataclasses import replace
from math import radians
from pathlib import Path
from typing import Any

import numpy as np

from legtest.description.model import Geometry
from legtest.records.run import RunWriter
from legtest.records.segment import Span
from legtest.records.trace import Trace, trace_of
from tests.records.make_run import (
    PERIOD_NS,
    STARTED,
    SYNC,
    Filling,
    make_bench,
    make_frames,
    make_leg,
    make_segment,
    value,
)

SPIKE = 1200  # the sample of the knee's torque at which it is 15 N*m, and the one after it


def comparison(test: str, subject: str, quantity: str, outcome: str, **more: Any) -> dict[str, Any]:
    body = {
        "leg": "tarn-fl", "test": test, "subject": subject, "quantity": quantity, "baseline": "after rebuild",
        "baseline_run": "20310201-080000-tarn-fl-01", "baseline_value": radians(0.55), "outcome": outcome,
        "difference": radians(0.07), "U": radians(0.03), "margin": radians(0.05), "coverage": 0.95,
        "repeats_needed": None, "reason": "",
    }  # fmt: skip
    return body | more


def trend(subject: str, quantity: str, *, signal: str = "", scale: float = radians(0.01)) -> dict[str, Any]:
    count = 40
    when = [f"2031-01-{1 + n // 2:02d}T{10 + n % 2}:00:00+00:00" for n in range(count)]
    values = [scale * (50 + 3 * np.sin(1.7 * n) + (0.3 * n if signal else 0)) for n in range(count)]
    return {
        "leg": "tarn-fl", "subject": subject, "quantity": quantity, "when": when, "values": values,
        "u": [scale] * count, "marks": [{"when": "2031-01-09T00:00:00+00:00", "what": "new knee belt"}],
        "centre": scale * 50, "low": scale * 44, "high": scale * 56, "chart": "EWMA", "signal": signal,
    }  # fmt: skip


def rich_run(runs: Path, *, cycles: int = 2500) -> Path:
    """Write the run and return its folder. Its knee jerks: two samples of torque, and a following error too large."""
    leg = make_leg()
    run = RunWriter.create(
        runs, now=STARTED, mode="LIVE", legs=[leg], bench=make_bench(), command=("pytest", "suites"),
    )  # fmt: skip
    gears, path = "suites/gears.py::test_backlash[tarn-fl-knee]", "suites/path.py::test_ellipse[tarn-fl]"
    filling = Filling(run.part(gears), leg, gears)
    filling.part.setup(0, "foot clamped", "M. Okafor")
    _move(filling, "backlash", "knee", cycles, "A small torque is reversed while the output is held.")
    filling.judge(value("backlash", "knee", radians(0.62), ("scatter of 8 reversals", radians(0.02)),
                        ("elastic wind-up", radians(0.012))))  # fmt: skip
    filling.judge(value("homing_repeatability", "knee", radians(0.25), ("spread", radians(0.03))))
    filling.part.end(0)
    run.test_end(gears, "fail", leg=leg.name, seconds=12.0)
    filling = Filling(run.part(path), leg, path)
    _move(filling, "tracking", None, cycles, "The foot follows an ellipse in the plane of the leg.")
    filling.judge(value("following_error", "knee", radians(2.5), ("noise", radians(0.4))))
    filling.judge(value("path_accuracy", "foot", 0.0021, ("joint angles", 0.0002)))
    filling.part.end(0)
    run.test_end(path, "inconclusive", leg=leg.name, seconds=15.0)
    run.test_end("suites/stand.py::test_drop[tarn-fl]", "not run", leg=leg.name, seconds=0.0,
                 reason="the bench has no rail brake; add one to the stand's file")  # fmt: skip
    run.comparison(comparison(gears, "knee", "backlash", "different"))
    run.comparison(comparison(gears, "knee", "homing_repeatability", "equivalent", difference=radians(-0.004)))
    run.comparison(comparison(path, "knee", "following_error", "undecided", repeats_needed=9, U=radians(0.5)))
    run.comparison(comparison(path, "foot", "path_accuracy", "refused", difference=None, U=None, margin=None,
                              reason="the windings were 14 K warmer than with the baseline"))  # fmt: skip
    run.trend(trend("knee", "backlash", signal="above the upper limit since 2031-01-17"))
    run.trend(trend("knee", "homing_repeatability"))
    run.attendance(True, "M. Okafor")
    run.seal()
    return run.folder


def _move(f: Filling, procedure: str, joint: str | None, cycles: int, method: str) -> Trace:
    frames = make_frames(f.maps, cycles, spike=SPIKE)
    whole = trace_of(frames, f.maps, SYNC, f.frames)
    columns = dict(whole.columns)
    if joint is None:
        jerk = columns["knee.position"].copy()
        jerk[cycles // 2 : cycles // 2 + 40] -= radians(4.0)
        columns["knee.position"] = jerk
    trace = replace(whole, columns=columns)
    third = len(frames) // 3
    names = ("approach", "there", "back")
    spans = tuple(Span(name, f.frames + n * third, f.frames + (n + 1) * third) for n, name in enumerate(names))
    f.frames += len(frames)
    at = cycles * PERIOD_NS
    f.part.note(at * 4 // 5, "stop then off: asked for by the test", test=f.test)
    f.part.segment(at, make_segment(procedure, joint, spans, torque_Nm=1.0), [trace], test=f.test, method=method)
    return trace


def planar_leg() -> Any:
    """A leg of two joints without a coupling or an offset."""
    leg = make_leg("hopper")
    return replace(
        leg, joints=leg.joints[1:], geometry=Geometry(0.0, 0.172, 0.188, -1), coupling=((1.0, 0.0), (0.0, 1.0))
    )


HOSTILE = (
    "<script>document.title='taken'</script>\"'&]]>\u202e\x00\x1b[31m\ud800`|*_<b onclick=x><img src=x>" + "x" * 10_000
)


def hostile_run(runs: Path) -> Path:
    """A run in which every name is an attack or a nuisance."""
    leg = replace(make_leg(), name=HOSTILE)
    run = RunWriter.create(
        runs, now=STARTED, mode="LIVE", legs=[leg], faults=[HOSTILE], bench=replace(make_bench(), name=HOSTILE),
        command=[HOSTILE],
    )  # fmt: skip
    filling = Filling(run.part(HOSTILE), leg, HOSTILE)
    filling.move(HOSTILE, HOSTILE, 20, method=HOSTILE, **{HOSTILE: HOSTILE})
    filling.judge(value(HOSTILE, HOSTILE, 0.1, (HOSTILE, 0.01), kind="angle"))
    filling.part.bench_error(20_000_000, HOSTILE, test=HOSTILE)
    filling.part.setup(0, HOSTILE, HOSTILE)
    filling.part.end(0)
    run.test_end(HOSTILE, HOSTILE, leg=HOSTILE, seconds=1.0, reason=HOSTILE)
    words = dict.fromkeys(("leg", "subject", "quantity"), HOSTILE)
    run.comparison(comparison(HOSTILE, HOSTILE, HOSTILE, HOSTILE, leg=HOSTILE, baseline=HOSTILE, baseline_run=HOSTILE,
                              reason=HOSTILE))  # fmt: skip
    run.trend(
        trend(HOSTILE, HOSTILE, signal=HOSTILE) | words | {"chart": HOSTILE, "when": [HOSTILE], "marks": [HOSTILE]}
    )
    run.attendance(True, HOSTILE)
    run.seal()
    return run.folder
