"""One hostile attempt: what somebody does to a simulated bench, and what an observer of the wire says about it.

Each is run twice: as it is, where nothing may break, and with one defence taken away, where something must; a check
that cannot fail shows nothing. The observer shares no code with what it judges. It hears of a violation from the
attempt itself, by `violation` of the module `marking` in the inner project.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from legtest.campaign.observer import Observer, StopTimes, WirePlan
from legtest.campaign.plan import plan_of
from legtest.canbus.frame import SENT
from legtest.description import read_bench, read_leg
from legtest.errors import RecordError
from legtest.records.reading import Part, read_frames
from tests.plugin.conftest import FIXTURES, HOPPER, Inner, Project

Table = Callable[..., None]
MARKING = '''
import json, os
from pathlib import Path

MARKS = str(Path(__file__).with_name("marks.jsonl"))

def violation(bench, what, expected="stop"):
    """Tell the observer: from this instant on the leg must stop."""
    line = {"part": bench._log.part.name, "t_ns": bench.now_ns(), "what": what, "expected": expected}
    fd = os.open(MARKS, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.write(fd, json.dumps(line).encode() + b"\\n")
    os.close(fd)

def loop_of(bench):
    """What nobody is meant to touch."""
    return bench._port._port._loop

def unpowered(bench):
    """The steps of the pre-check that apply no power, and none of the others."""
    bench._port._port.scan()

def stranger(bench):
    """Another program sends this host's heartbeat: a second master."""
    from legtest.canbus.frame import Frame
    loop_of(bench).link._bus.attach(lambda frame: None).send(Frame(0, 0x77F, b"\x05"))
'''
CONFTEST = """
import os, signal, sys
import pytest
from marking import violation

patch = pytest.MonkeyPatch()

@pytest.hookimpl(tryfirst=True)
def pytest_configure(config):
    {without}

def pytest_unconfigure():
    patch.undo()
    signal.signal(signal.SIGTERM, signal.SIG_DFL)  # a user's handler ends with his run

{conftest}
"""
CODE = """
import os, signal, sys, threading
from marking import loop_of, stranger, unpowered, violation
from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import ObjectWrite
from legtest.errors import LegStopped, NotPermitted
from legtest.safety.permit import Permit

kept = []

def power(bench):
    kept.append(bench.energised())
    kept[-1].__enter__()  # nothing the test does will leave it
    bench.wait(0.05)

def moving(bench):
    power(bench)
    bench._port.play(bench.stretch(bench.path(bench.demand_rad + 0.3, 0.25)), bench._permit)
    bench._port.pump(bench.now_ns() + 400_000_000)

def send(bench, can_id, data):
    loop_of(bench).send(Frame(0, can_id, data))
    bench._port.pump(bench.now_ns() + 100_000_000)

def energise(bench, key):
    bench._port.energise(key)
    bench._port.pump(bench.now_ns() + 100_000_000)

"""
NOTHING = "pass"

# -- ways to take a defence away
ANY_KEY = """
    from legtest.errors import NotPermitted
    from legtest.safety.permit import Grant, Ledger
    real = Ledger.grant
    wide = Grant("motion", (0, 1), (18.0, 18.0), 10**15)
    def any_key(self, key, now_ns):
        try:
            return real(self, key, now_ns)
        except NotPermitted:
            return wide
    patch.setattr(Ledger, "grant", any_key)
    patch.setattr(Ledger, "live", True)"""
NO_PRECHECK = (
    ANY_KEY
    + """
    from legtest.bench import Bench
    patch.setattr(Bench, "_key", lambda self, least_ns=0: None)"""
)
NO_GATE = """
    from legtest.safety.gate import Gate
    patch.setattr(Gate, "refusal", lambda *arguments: "")
    from legtest.safety.cycle import Cycle
    made = Cycle.__init__
    def without(self, *arguments, **named):
        made(self, *arguments, **named)
        self._setpoints = set()
    patch.setattr(Cycle, "__init__", without)"""
NO_STOP = """
    from legtest.guard import GuardedPort
    patch.setattr(GuardedPort, "stop", lambda self, reaction, why: None)"""
NO_LATCH = """
    from legtest.guard import GuardedPort
    patch.setattr(GuardedPort, "_check", lambda self, after_stop: None)"""
NO_PHASES = """
    from legtest.plugin.run import RunSession
    patch.setattr(RunSession, "may_energise", lambda self: "")"""
NO_HANDLERS = """
    from legtest.plugin.signals import Signals
    patch.setattr(Signals, "install", lambda self: None)"""
DEAF = """
    from legtest.plugin.signals import Signals
    patch.setattr(Signals, "_end", lambda self, number, frame: None)"""


@dataclass(frozen=True)
class Attempt:
    """What is done (`code`: a test file), how the run must end, and which defence stands against it.

    without: lines that take it away; breaks: a pattern of what must break then. says: a pattern of the output.
    apart: it harms its own process. timed: a stop of the leg is expected and measured.
    """

    name: str
    code: str
    without: str
    breaks: str
    exit: int = 1
    says: str = ""
    args: tuple[str, ...] = ()
    conftest: str = ""
    apart: bool = False
    timed: bool = False


@dataclass(frozen=True)
class Seen:
    """What came of an attempt."""

    inner: Inner
    broken: tuple[str, ...]
    stops: tuple[StopTimes, ...]


def tried(project: Project, attempt: Attempt, *, defended: bool, bench: Path | None = None) -> Seen:
    """Run an attempt and have it judged."""
    place = project.pytester.path
    (place / "marking.py").write_text(MARKING, encoding="utf-8")
    without = NOTHING if defended else attempt.without
    project.pytester.makeconftest(CONFTEST.format(without=without, conftest=attempt.conftest))
    args = (*attempt.args, *((f"--bench={bench}",) if bench else ()))
    inner = project.run(CODE + attempt.code, *args, apart=attempt.apart)
    return judged(inner, place, bench)


def judged(inner: Inner, place: Path, bench: Path | None) -> Seen:
    """What an observer says of the frames of every part, and the rules for a run as a whole."""
    marks = place / "marks.jsonl"
    told = [json.loads(line) for line in marks.read_text(encoding="utf-8").splitlines()] if marks.exists() else []
    broken, stops = [], []
    made = plan_of(read_leg(HOPPER), read_bench(bench or FIXTURES / "benches/simulated.yaml"))
    try:
        run = inner.run if inner.folders else None
    except RecordError as error:
        return Seen(inner, (f"the record cannot be read: {error}",), ())
    for part in run.parts if run else ():
        observer = watched(part, made, [mark for mark in told if mark["part"] == part.name])
        broken += observer.broken
        stops += observer.stops
    if told and run and inner.ret == 0 and all(test.word == "pass" for test in run.tests):
        broken.append("I16 the run passed although the leg had to be stopped")
    return Seen(inner, tuple(broken), tuple(stops))


def watched(part: Part, made: WirePlan, marks: list[dict[str, object]]) -> Observer:
    """An observer that has seen the wire of one part, with the violations it is told of."""
    log = part.folder / "frames.log"
    # Violations are told by the attempt; who may be energised is read from the wire.
    observer = Observer(made, permits="wire", judged_by="delivery")
    waiting = sorted(marks, key=lambda mark: int(str(mark["t_ns"])))
    t_ns = 0
    for frame in read_frames(log, 0, log.read_bytes().count(b"\n")):
        while waiting and int(str(waiting[0]["t_ns"])) < frame.t_ns:
            tell(observer, waiting.pop(0))
        observer.frame(frame, bool(frame.flags & SENT))
        t_ns = frame.t_ns
    for mark in waiting:
        tell(observer, mark)
        t_ns = max(t_ns, int(str(mark["t_ns"])))
    observer.end(t_ns)
    return observer


def tell(observer: Observer, mark: dict[str, object]) -> None:
    observer.violation(int(str(mark["t_ns"])), str(mark["what"]), str(mark["expected"]))  # type: ignore[arg-type]


def holds(project: Project, attempt: Attempt, table: Table, bench: Path | None = None) -> None:
    """The attempt comes to nothing: it ends as it should, nothing broke, and a stop came in time."""
    seen = tried(project, attempt, defended=True, bench=bench)
    assert seen.broken == (), seen.inner.out
    assert seen.inner.ret == attempt.exit, seen.inner.out
    assert re.search(attempt.says, seen.inner.out), seen.inner.out
    assert "INTERNALERROR" not in seen.inner.out
    assert bool(seen.stops) == attempt.timed, seen.inner.out
    for stop in seen.stops:
        assert stop.quick_stop_ns is not None
        assert stop.power_off_ns is not None
        spans = {
            "quick_stop_ns": stop.quick_stop_ns - stop.violation_ns,
            "power_off_ns": stop.power_off_ns - stop.violation_ns,
            "quick_stop_budget_ns": stop.quick_stop_budget_ns,
            "power_off_budget_ns": stop.power_off_budget_ns,
        }
        assert spans["quick_stop_ns"] <= stop.quick_stop_budget_ns
        assert spans["power_off_ns"] <= stop.power_off_budget_ns
        table(attempt=attempt.name, rate_hz=60 if bench else 250, seed=1, expected=stop.expected, **spans)


def breaks(project: Project, attempt: Attempt, table: Table) -> None:
    """Without its defence the same attempt breaks something, and the observer says so."""
    seen = tried(project, attempt, defended=False)
    found = [text for text in seen.broken if re.search(attempt.breaks, text)]
    assert found, f"{seen.broken}\n{seen.inner.out}"
    table(attempt=attempt.name, broke_without_defence=sorted({text.partition(" s ")[2] or text for text in found}))


def both(attempts: tuple[Attempt, ...]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Parametrise a test by the attempts of a file."""
    return pytest.mark.parametrize("attempt", attempts, ids=[attempt.name for attempt in attempts])
