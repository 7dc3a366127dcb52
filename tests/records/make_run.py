"""A small made-up run of the leg tarn-fl, built through the writers that a real run uses.

Every number in it is invented; it exists to give readers and reports one of each kind to work on.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime
from math import pi, radians, sin
from pathlib import Path

from legtest.canbus import candump
from legtest.canbus.frame import SENT, Frame, frame
from legtest.canbus.wiremap import (
    EnableStep,
    HomeSetting,
    ObjectWrite,
    Pattern,
    Point,
    Reaction,
    Signal,
    StatusTest,
    WireMap,
    setpoint_encoder,
)
from legtest.description.model import (
    BenchDescription,
    Criteria,
    DecisionRule,
    DriveDescription,
    Geometry,
    HomeDescription,
    JointDescription,
    LegDescription,
    Limit,
    StandDescription,
)
from legtest.metrology.combine import measurement
from legtest.metrology.decision import decide
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.records.part import PartWriter
from legtest.records.run import RunWriter
from legtest.records.segment import Segment, Span, Timing
from legtest.records.trace import Trace, trace_of

SYNC = 0x80
PERIOD_NS = 4_000_000
COUNTS = 2 * pi / 65536
PER_MILLE = 6.0 / 1000
STARTED = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)


def make_wiremap(axis: str, node: int) -> WireMap:
    """An axis as a CiA 402 drive would be mapped."""
    feedback = (
        Signal("statusword", 0x180 + node, 0, 16, False, 1.0),
        Signal("position", 0x180 + node, 16, 32, True, COUNTS),
        Signal("torque", 0x180 + node, 48, 16, True, PER_MILLE),
        Signal("velocity", 0x280 + node, 0, 32, True, COUNTS),
        Signal("supply", 0x280 + node, 32, 32, False, 0.001),
        Signal("temperature", 0x380 + node, 0, 16, True, 0.1),
        Signal("error", 0x380 + node, 16, 16, False, 1.0),
    )
    command = (
        Signal("position", 0x300 + node, 0, 32, True, COUNTS),
        Signal("torque_ff", 0x300 + node, 32, 16, True, PER_MILLE),
        Signal("torque_cap", 0x300 + node, 48, 16, False, PER_MILLE),
    )
    off = frame(0x200 + node, b"\x00\x00")
    on = frame(0x200 + node, b"\x0f\x00")
    home = HomeSetting((), 0x607C, 4, (on,), StatusTest(0x1000, 0x1000), (ObjectWrite(0x6060, 0, 1, -3, "mode"),))
    return WireMap(
        axis, node, feedback, command, (EnableStep(on, 0x6F, 0x27, 50_000_000),),
        {Reaction.OFF_NOW: (off,), Reaction.HOLD: ()}, (Pattern(0x200 + node, 0xF, 0xF),),
        StatusTest(0x4F, 0x40), StatusTest(0x6F, 0x27), StatusTest(0x4F, 0x08), StatusTest(0x800, 0x800),
        0x700 + node, 0x80 + node, home,
    )  # fmt: skip


def _joint(name: str, node: int, travel: tuple[float, float]) -> JointDescription:
    drive = DriveDescription(
        "cia402", node, "../drives/axis.eds", 65536.0, 6.0, 1, 150.0, 2.5, None, None, None, 4100 + node
    )
    low, high = radians(travel[0]), radians(travel[1])
    return JointDescription(
        name, drive, (low, high), (low + 0.04, high - 0.04), 12.0, 18.0, HomeDescription("low", 2.2, 0.5)
    )


def make_leg(name: str = "tarn-fl") -> LegDescription:
    joints = (_joint("abduction", 1, (-40, 40)), _joint("hip", 2, (-69, 92)), _joint("knee", 3, (-130, 4)))
    limits = {
        "homing_repeatability": Limit(None, radians(0.6), "angle", f"{name}.yaml:31"),
        "backlash": Limit(None, radians(0.5), "angle", f"{name}.yaml:33"),
        "holding_torque_ratio": Limit(0.9, 1.1, "ratio", f"{name}.yaml:35"),
        "coulomb_friction": Limit(None, 0.33, "torque", f"{name}.yaml:36"),
        "following_error": Limit(None, radians(2.5), "angle", f"{name}.yaml:40"),
    }
    return LegDescription(
        name, f"{name}.yaml", "a" * 64, Geometry(0.061, 0.172, 0.188, -1), joints,
        ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.0, 1.0)), Criteria(limits, {}), DecisionRule("guarded", 0.95), {},
    )  # fmt: skip


def make_bench() -> BenchDescription:
    measures = {"catch": "lower block", "brake_clamp": "none", "emergency_stop": "on the table", "fence": "none"}
    stand = StandDescription("streams", "streams.yaml", "b" * 64, 1.2, 0.5, measures, {})
    return BenchDescription(
        "streams bench", "simulated.yaml", "c" * 64, stand, "simulated", "", 1_000_000, 250.0, 0.02, 0.1, 1.0, 0.002
    )


def make_frames(
    maps: Sequence[WireMap], cycles: int, *, seed: int = 1, spike: int | None = None, from_cycle: int = 0
) -> list[Frame]:
    """The frames of a slow sine on every axis, with noise; `spike`: a cycle with two samples of 15 N*m."""
    rng = random.Random(seed)
    frames = []
    encoders = [setpoint_encoder(m) for m in maps]
    for k in range(from_cycle, from_cycle + cycles):
        t = k * PERIOD_NS
        frames.append(Frame(t, SYNC, b"", SENT))
        for n, m in enumerate(maps):
            angle = _angle(n, k)
            torque = 2.5 * sin(2 * pi * k / 500 - 0.3 + n) + rng.gauss(0, 0.06)
            if spike is not None and k - spike in (0, 1):
                torque = 15.0
            word, counts, mille = 0x1237, round((angle - 0.004) / COUNTS), round(torque / PER_MILLE)
            payload = word | (counts & 0xFFFFFFFF) << 16 | (mille & 0xFFFF) << 48
            frames.append(Frame(t + 120_000 * (n + 1), 0x180 + m.node, payload.to_bytes(8, "little")))
            if k % 5 == 0:
                slow = (24_000 + rng.randrange(200)) << 32
                frames.append(Frame(t + 500_000 + 110_000 * n, 0x280 + m.node, slow.to_bytes(8, "little")))
            if k % 25 == 0:
                hot = (310 + k // 50).to_bytes(4, "little")
                frames.append(Frame(t + 900_000 + 80_000 * n, 0x380 + m.node, hot))
        for n, (can_id, encode) in enumerate(encoders):
            frames.append(Frame(t + 2_400_000 + 125_000 * n, can_id, encode(Point(_angle(n, k + 2), 0.0, 9.0)), SENT))
    return frames


def _angle(axis: int, k: int) -> float:
    return (0.12, 0.45, -0.9)[axis] + (0.05, 0.3, 0.5)[axis] * sin(2 * pi * k / 500 + 0.4 * axis)


def make_segment(procedure: str, joint: str | None, spans: tuple[Span, ...], **arguments: object) -> Segment:
    return Segment(procedure, joint, arguments, spans, Timing(500, PERIOD_NS, 20_000, 90_000, 210_000, 0, 1, 1500))


def budget(*lines: tuple[str, float]) -> tuple[BudgetLine, ...]:
    return tuple(BudgetLine(source, u, 9.0 if n == 0 else float("inf"), "A" if n == 0 else "B")
                 for n, (source, u) in enumerate(lines))  # fmt: skip


def value(quantity: str, subject: str, x: float, *lines: tuple[str, float], **more: str) -> Measurement:
    covariates = {"temperature_degC": 31.5}
    return measurement(quantity, subject, x, budget(*lines), reference="internal", covariates=covariates, **more)


class Filling:
    """One part being filled: frames and traces by the segment, verdicts by the leg's own limits."""

    def __init__(self, part: PartWriter, leg: LegDescription, test: str) -> None:
        self.part, self.leg, self.test, self.frames = part, leg, test, 0
        self.maps = [make_wiremap(joint.name, joint.drive.node) for joint in leg.joints]
        part.begin(leg=leg.name, test=test, seed=1, wiremaps=self.maps, sync_id=SYNC)
        part.precheck(0, {"passed": True, "full": True, "steps": []})
        part.setup(0, "carriage clamped", "simulated")

    def move(self, procedure: str, joint: str | None, cycles: int, /, *, method: str, spike: int | None = None,
             **arguments: object) -> Trace:  # fmt: skip
        frames = make_frames(self.maps, cycles, spike=spike)
        for each in frames:
            self.part.frame_sink.write(candump.line(each))
        trace = trace_of(frames, self.maps, SYNC, self.frames)
        span = Span("sweep", self.frames, self.frames + len(frames))
        self.frames = span.last
        segment = make_segment(procedure, joint, (span,), **arguments)
        self.part.segment(cycles * PERIOD_NS, segment, [trace], test=self.test, method=method)
        return trace

    def judge(self, m: Measurement) -> None:
        verdict = decide(m, self.leg.criteria.limit(m.quantity, m.subject), self.leg.decision)
        self.part.measurement(0, m, test=self.test)
        self.part.verdict(0, verdict, test=self.test)


def make_run(runs: Path, *, seal: bool = True, cycles: int = 500, leg: LegDescription | None = None) -> Path:
    """Write the run and return its folder."""
    leg = leg or make_leg()
    run = RunWriter.create(
        runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), command=("pytest", "suites"), seed=1
    )
    for name, word, fill in (
        ("homing.py::test_homing[tarn-fl-knee]", "pass", _homing),
        ("gears.py::test_backlash[tarn-fl-knee]", "fail", _backlash),
        ("torque.py::test_holding[tarn-fl-hip]", "inconclusive", _holding),
        ("gears.py::test_friction[tarn-fl-abduction]", "invalid", _friction),
        ("path.py::test_ellipse[tarn-fl]", "pass", _ellipse),
        ("path.py::test_again[tarn-fl]", "bench error", _bench_error),
    ):
        filling = Filling(run.part(name), leg, name)
        fill(filling, cycles)
        filling.part.end(0)
        run.test_end(name, word, leg=leg.name, seconds=1.25)
    reason = "the bench has no rail brake; add one to the stand's file"
    run.test_end("stand.py::test_drop[tarn-fl]", "not run", leg=leg.name, seconds=0.0, reason=reason)
    if seal:
        run.seal()
    else:
        run.close()
    return run.folder


def _homing(f: Filling, cycles: int) -> None:
    f.move("homing", "knee", cycles, method="The joint is driven against its low end stop ten times.",
           cycles=10, torque_Nm=2.2, speed_rad_s=0.5)  # fmt: skip
    f.judge(value("homing_repeatability", "knee", radians(0.21), ("spread of 10 landings", radians(0.03)),
                  ("encoder resolution", radians(0.0016))))  # fmt: skip


def _backlash(f: Filling, cycles: int) -> None:
    f.move("backlash", "knee", cycles, method="A small torque is reversed while the output is held.", spike=300,
           torque_Nm=1.0)  # fmt: skip
    f.judge(value("backlash", "knee", radians(0.62), ("scatter of 8 reversals", radians(0.02)),
                  ("elastic wind-up", radians(0.012))))  # fmt: skip
    f.judge(value("homing_repeatability", "knee", radians(0.25), ("spread", radians(0.03))))


def _holding(f: Filling, cycles: int) -> None:
    f.move("holding", "hip", cycles, method="The known mass hangs from the foot while the hip holds.", mass_kg=1.0)
    f.judge(value("holding_torque_ratio", "hip", 1.08, ("scatter of 4 poses", 0.02), ("mass", 0.001)))


def _friction(f: Filling, cycles: int) -> None:
    f.move("friction", "abduction", cycles, method="Constant speeds in both directions.")
    f.judge(
        value("coulomb_friction", "abduction", 0.2, ("line fit", 0.02), invalid="the joint never reached its speed")
    )


def _ellipse(f: Filling, cycles: int) -> None:
    f.move("tracking", None, 2 * cycles, method="The foot follows an ellipse in the plane of the leg.", cycles=4)
    f.judge(value("following_error", "knee", radians(0.9), ("noise", radians(0.04))))
    f.judge(value("path_accuracy", "foot", 0.0021, ("joint angles", 0.0002)))


def _bench_error(f: Filling, cycles: int) -> None:
    f.move("tracking", None, cycles, method="The foot follows an ellipse in the plane of the leg.", cycles=1)
    f.part.bench_error(0, "the adapter went away: no frame for 100 ms", test=f.test)
