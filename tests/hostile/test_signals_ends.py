"""A signal brings the leg to rest first, wherever it comes, however often, and whatever a user makes of it."""

from __future__ import annotations

from tests.hostile.attempt import DEAF, NO_HANDLERS, NO_STOP, Attempt, Table, both, breaks, holds
from tests.plugin.conftest import Project

BETWEEN = """
def test_it(bench):
    moving(bench)
    violation(bench, "{name}")
    for _ in range({times}):
        os.kill(os.getpid(), signal.{name})
    bench._port.pump(bench.now_ns() + 2_000_000_000)
"""
WITHIN = """
import legtest.simulation.link as link

def test_it(bench, monkeypatch):
    power(bench)
    pump, left = link.VirtualLink.pump, [{after}]
    def pumped(self, until_ns):
        left[0] -= 1
        frames = pump(self, until_ns)
        if left[0] == 0:
            violation(bench, "{name}")
            os.kill(os.getpid(), signal.{name})
        return frames
    monkeypatch.setattr(link.VirtualLink, "pump", pumped)
    bench.wait(1.0)
"""
CHECKING = """
import legtest.simulation.link as link

def test_it(bench, monkeypatch):
    pump, told = link.VirtualLink.pump, []
    def pumped(self, until_ns):
        frames = pump(self, until_ns)
        if loop_of(bench).state.enabled and not told:
            told.append(1)
            violation(bench, "{name}")
            os.kill(os.getpid(), signal.{name})
        return frames
    monkeypatch.setattr(link.VirtualLink, "pump", pumped)
    bench.precheck()
"""
TEARDOWN = """
@pytest.fixture
def mine(bench):
    yield
    os.kill(os.getpid(), signal.{name})
    bench._port.pump(bench.now_ns() + 300_000_000)

def test_it(mine, bench):
    power(bench)
    violation(bench, "the test ends")
"""
SWALLOWED = """
def test_it(bench):
    signal.signal(signal.SIGTERM, lambda number, frame: None)
    moving(bench)
    os.kill(os.getpid(), signal.SIGTERM)
    violation(bench, "the test ends")
    assert False
"""
CAUGHT = """
def test_it(bench):
    try:
        moving(bench)
        violation(bench, "SIGTERM")
        os.kill(os.getpid(), signal.SIGTERM)
    except BaseException:
        pass
    bench._port.pump(bench.now_ns() + 500_000_000)
    bench._powered = False
    with bench.energised():
        bench.wait(1.0)
"""
MASKED = """
def test_it(bench):
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGTERM])
    moving(bench)
    signal.pthread_kill(threading.main_thread().ident, signal.SIGTERM)
    violation(bench, "the test ends")
    assert False
"""
NEITHER = NO_HANDLERS + NO_STOP


def at(name: str, code: str, signal: str, without: str, **fields: object) -> Attempt:
    ends = {"SIGINT": 2, "SIGTERM": 143, "SIGHUP": 129}[signal]
    made = code.format(name=signal, **fields)
    return Attempt(f"{signal} {name}", made, without, "I3|I4|I5", ends, apart=signal == "SIGINT", timed=True)


SIGNALS = (
    at("between two calls", BETWEEN, "SIGINT", NEITHER, times=1),
    at("ten times", BETWEEN, "SIGINT", NEITHER, times=10),
    at("between two calls", BETWEEN, "SIGTERM", DEAF, times=1),
    at("between two calls", BETWEEN, "SIGHUP", DEAF, times=1),
    *(at(f"in cycle {number}", WITHIN, "SIGTERM", DEAF, after=number) for number in (41, 114, 277)),
    at("in the pre-check", CHECKING, "SIGTERM", DEAF),
    at("in a teardown", TEARDOWN, "SIGTERM", DEAF + NO_STOP),
    Attempt("a handler that swallows SIGTERM", SWALLOWED, NO_STOP, "I4", timed=True),
    Attempt("a SIGTERM that is caught", CAUGHT, DEAF, "I3|I4|I5", 11, timed=True, says="SIGTERM"),
    Attempt("a SIGTERM that is masked", MASKED, NO_STOP, "I4", timed=True, apart=True),
)


@both(SIGNALS)
def test_the_leg_is_off(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@both(tuple(attempt for attempt in SIGNALS if attempt.name not in ("SIGTERM in cycle 114", "SIGTERM in cycle 277")))
def test_the_leg_is_off_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)
