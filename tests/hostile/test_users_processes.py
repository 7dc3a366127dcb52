"""Threads, copies of the process, and whatever else a test does to the process it runs in."""

from __future__ import annotations

import pytest

from legtest.records.reading import verify
from tests.hostile.attempt import NO_STOP, Attempt, Table, both, breaks, holds
from tests.plugin.conftest import Project

THREAD = """
def test_it(bench):
    power(bench)
    violation(bench, "a second thread")
    def other():
        try:
            {act}
        except NotPermitted:
            pass
    thread = threading.Thread(target=other)
    thread.start()
    thread.join()
    bench._port.pump(bench.now_ns() + 500_000_000)
"""
NO_OWNER = """
    from legtest.guard import GuardedPort
    from legtest.safety.direct import DirectPort
    patch.setattr(GuardedPort, "_check", lambda self, after_stop: None)
    patch.setattr(DirectPort, "_intrusion", lambda self, what: "")"""
THREADS = tuple(
    Attempt(
        f"a second thread that {name}", THREAD.format(act=act), NO_OWNER, "I4|I5|I16", 11,
        "another thread", timed=True,
    )
    for name, act in (
        ("moves", "bench._port.play(bench.stretch(bench.demand_rad), bench._permit)"),
        ("waits", "bench._port.pump(bench.now_ns() + 10_000_000)"),
        ("energises", "bench._port.energise(bench._permit)"),
    )
)  # fmt: skip

FORK = """
def test_it(bench):
    bench.precheck()
    child = os.fork()
    if child == 0:
        {child}
    os.waitpid(child, 0)
"""
NO_PID = """
    from legtest.guard import GuardedPort
    from legtest.safety.direct import DirectPort
    from legtest.safety.permit import Ledger
    patch.setattr(GuardedPort, "is_ours", True)
    patch.setattr(DirectPort, "_intrusion", lambda self, what: "")
    grant = Ledger.grant
    def anybody(self, key, now_ns):
        self._pid = os.getpid()
        return grant(self, key, now_ns)
    patch.setattr(Ledger, "grant", anybody)"""
USES_THE_KEY = """
        try:
            energise(bench, bench._permit)
            bench._port._port.close = lambda: None
            loop_of(bench)._log.flush()
        finally:
            os._exit(0)"""
COPIES = (
    Attempt("a forked copy that uses the key", FORK.format(child=USES_THE_KEY), NO_PID, "I[0-9]", 0, apart=True),
    Attempt(
        "a forked copy that goes on with the tests",
        FORK.format(child="power(bench); return"),
        NO_PID,
        "record|I[0-9]",
        0,
        apart=True,
    ),
)

# What is done to the process while the leg moves; the test then fails, and the leg has to stop all the same.
HARM = """
def test_it(bench):
    moving(bench)
    {harm}
    violation(bench, "the test ends")
    assert False
"""
HARMS = {
    "no garbage collected": "import gc; gc.disable()",
    "a tracer": "sys.settrace(lambda *seen: None)",
    "modules swapped": (
        "import types\n    for name in [n for n in sys.modules if n.startswith('legtest.')]:\n"
        "        sys.modules[name] = types.ModuleType(name)"
    ),
    "another directory": "os.chdir('/')",
    "a mask for files": "os.umask(0o777)",
}
HARMED = tuple(
    Attempt(name, HARM.format(harm=harm), NO_STOP, "I4", 1, timed=True, apart=True) for name, harm in HARMS.items()
)
ALL = THREADS + COPIES + HARMED


@both(ALL)
def test_the_leg_is_safe(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@both((*THREADS, *COPIES, HARMED[0]))
def test_the_leg_is_safe_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)


KILLED = """
def test_it(bench):
    power(bench)
    {kill}
"""
KILLS = {
    "os._exit": ("os._exit(0)", 0),
    "execv": ("os.execv('/bin/true', ['true'])", 0),
    "a segmentation fault": ("import faulthandler; faulthandler._sigsegv()", -11),
    "SIGKILL": ("os.kill(os.getpid(), signal.SIGKILL)", -9),
    "a timeout by a thread": ("while True: pass", 1),
}


@pytest.mark.parametrize(("kill", "code"), KILLS.values(), ids=KILLS)
def test_a_killed_run_is_a_failed_run(kill: str, code: int, project: Project) -> None:
    """The process and the simulated leg are gone at once. The record is not sealed, and the next run says so."""
    from tests.hostile.attempt import CODE, MARKING

    (project.pytester.path / "marking.py").write_text(MARKING, encoding="utf-8")
    timeout = ("--timeout=1", "--timeout-method=thread") if "while" in kill else ()
    killed = project.run(CODE + KILLED.format(kill=kill), *timeout, apart=True)
    assert killed.ret == code, killed.out
    assert not killed.run.complete
    assert any("not sealed" in problem for problem in verify(killed.folders[0]))
    after = project.run("def test_it(bench):\n    pass\n")
    assert f"{killed.folders[0].name} was not completed: it counts as failed" in after.out
