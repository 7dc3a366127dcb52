"""Whatever is selected, left out, reordered, repeated or run elsewhere: nothing has power before its own pre-check."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.hostile.attempt import NO_PHASES, NO_PRECHECK, NO_STOP, Attempt, Table, both, breaks, holds
from tests.plugin.conftest import HOPPER, Project

# A suite as somebody would write it who takes the pre-check for a test that comes first.
SUITE = """
FAIL = {fail}

def test_1_precheck(bench):
    bench.precheck()
    assert not FAIL

def test_2_small_move(bench):
    unpowered(bench)
    with bench.energised():
        bench._port.pump(bench.now_ns() + 50_000_000)
"""
OWN_FIXTURE = """
from legtest.safety.permit import Permit

@pytest.fixture
def bench(bench):
    bench.prechecks.append("all passed")
    bench._permit, bench._permit_end = Permit(bytes(16), "motion"), 10**15
    return bench
"""
REORDER = "def pytest_collection_modifyitems(items):\n    items.reverse()\n"
LAST_FAILED = """
from pathlib import Path
cache = Path(__file__).with_name(".pytest_cache") / "v" / "cache"
cache.mkdir(parents=True)
(cache / "lastfailed").write_text('{"test_user.py::test_2_small_move[tarn-hopper]": true}')
(cache / "stepwise").write_text('"test_user.py::test_2_small_move[tarn-hopper]"')
"""
REPEAT = "pytestmark = pytest.mark.parametrize('again', range(2))\n\n"


def selected(
    name: str, *args: str, code: int = 0, fail: bool = False, before: str = "", conftest: str = "", apart: bool = False
) -> Attempt:
    source = before + SUITE.format(fail=fail)
    if "again" in before:
        source = source.replace("(bench)", "(bench, again)").replace("unpowered(bench, again)", "unpowered(bench)")
    return Attempt(name, source, NO_PRECHECK, "I1", code, args=args, conftest=conftest, apart=apart)


WAYS = (
    selected("-k", "-k", "small_move"),
    selected("--deselect", "--deselect=test_user.py::test_1_precheck"),
    selected("-x", "-x", "-k", "small_move"),
    selected("a pre-check that fails", code=1, fail=True),
    selected("--last-failed", "-p", "cacheprovider", "--lf", conftest=LAST_FAILED),
    selected("--failed-first", "-p", "cacheprovider", "--ff", conftest=LAST_FAILED),
    selected("--stepwise", "-p", "cacheprovider", "-p", "stepwise", "--sw", conftest=LAST_FAILED),
    selected("reversed by a conftest", conftest=REORDER),
    selected("reordered by a plugin", "--random-order", "--random-order-seed=2"),
    selected("repeated", before=REPEAT),
    selected("--reruns", "--reruns=2", fail=True, code=1),
    selected("an own fixture of the same name", conftest=OWN_FIXTURE, code=1),
    selected("two workers", "-n", "2", apart=True),
)


@both(WAYS)
def test_each_use_is_behind_its_own_precheck(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@both(WAYS)
def test_each_use_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)


FIXTURE = """
@pytest.fixture
def energised(bench):
    with bench.energised():
        violation(bench, "set-up is over")
        bench._port.pump(bench.now_ns() + 300_000_000)  # other fixtures take their time
        yield

def test_it(energised, bench):
    pass
"""
MODES = (
    Attempt("a fixture with power", FIXTURE, NO_PHASES, "I4", says="fixtures never energise"),
    Attempt(
        "--setup-only", FIXTURE, NO_PHASES, "I4", args=("--setup-only",), says="never energise"
    ),
    Attempt(
        "--setup-show", FIXTURE, NO_PHASES, "I4", args=("--setup-show",), says="never energise"
    ),
    Attempt(
        "--trace", FIXTURE, NO_PHASES, "I4", args=("--trace",), says="never energise", apart=True
    ),
    Attempt(
        "--pdb", 'def test_it(bench):\n    moving(bench)\n    violation(bench, "a debugger waits")\n    assert False\n',
        NO_STOP, "I4", 2, args=("--pdb",), apart=True, timed=True,
    ),
)  # fmt: skip


@both(MODES)
def test_no_power_without_a_running_test(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    holds(project, attempt, hostile_table)


@both(MODES)
def test_no_power_without_defence(attempt: Attempt, project: Project, hostile_table: Table) -> None:
    breaks(project, attempt, hostile_table)


SCRIPT = """
import sys
from legtest import simulated_bench

with simulated_bench({leg!r}) as bench:
    {without}
    with bench.energised():
        print("prechecks", len(bench.prechecks), flush=True)
"""


def test_a_plain_script_has_the_same_gate(tmp_path: object) -> None:
    """Without pytest there is no record, and the pre-check is there all the same."""
    code = SCRIPT.format(leg=str(HOPPER), without="pass")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "prechecks 1\n"), done.stderr
    forged = 'bench._key = lambda least=0: __import__("legtest.safety.permit").safety.permit.Permit(b"", "motion")'
    code = SCRIPT.format(leg=str(HOPPER), without=forged)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "NotPermitted: no pre-check has passed" in done.stderr


@pytest.mark.parametrize("option", ["-p no:legtest", "--noconftest"])
def test_without_the_plugin_or_conftest(option: str, project: Project) -> None:
    """What takes the plugin away takes the bench away as well; without a conftest the plugin is there."""
    code = "def test_it(bench):\n    with bench.energised():\n        assert len(bench.prechecks) == 1\n"
    legs = () if "legtest" in option else None
    done = project.run(code, *option.split(), legs=legs, apart=True)
    if legs is None:
        assert done.outcomes == {"passed": 1}, done.out
    else:
        assert done.outcomes == {"errors": 1}
        assert "fixture 'bench' not found" in done.out
        assert done.folders == ()
