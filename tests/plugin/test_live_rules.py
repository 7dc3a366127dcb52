"""What a live run may not be combined with is refused, all of it at once, before a port opens or a record begins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.plugin.conftest import FIXTURES, Project

LIVE = ("--live", f"--bench={FIXTURES / 'benches/rehearsal.yaml'}", "--signoff=signoff.json")
TEST = 'def test_it(bench, judge):\n    judge(sag(1), at_most="2 mm")\n'
GIVEN = """
from hypothesis import given, strategies

@given(strategies.integers())
def test_it(bench, number):
    pass
"""
BESIDE = TEST + GIVEN.replace("bench, number", "number").replace("test_it", "test_beside")
MARKED = "@pytest.mark.{mark}\n" + TEST
FORKED = """
def pytest_addoption(parser):
    parser.addoption("--forked", action="store_true")

def pytest_configure(config):
    config.addinivalue_line("markers", "forked: in a copy")
"""
LATE = "def pytest_collection_modifyitems(config):\n    config.option.{what}\n"
TYPED = "it must be typed"
DEBUGGER = "import sys\nsys.settrace(lambda *seen: None)\n\ndef pytest_unconfigure():\n    sys.settrace(None)\n"
THREAD = "use --timeout-method=signal with --live"

# name -> arguments, test, conftest, ini, what is said
REFUSED: dict[str, tuple[tuple[str, ...], str, str, str, str]] = {
    "workers": (("-n", "2"), TEST, "", "", "leave out -n"),
    "forked": (("--forked",), TEST, FORKED, "", "leave out --forked"),
    "a forked test": ((), MARKED.format(mark="forked"), FORKED, "", "the mark 'forked'"),
    "reruns": (("--reruns=1",), TEST, "", "", "leave out --reruns"),
    "reruns of the ini": ((), TEST, "", "reruns = 1", "leave out --reruns"),
    "a flaky test": ((), MARKED.format(mark="flaky(reruns=1)"), "", "", "the mark 'flaky'"),
    "given": ((), GIVEN, "", "", "no @given around a live bench"),
    "given, beside the bench": ((), BESIDE, "", "", "test_beside: hypothesis runs a test many times"),
    "pdb": (("--pdb",), TEST, "", "", "leave out --pdb"),
    "trace": (("--trace",), TEST, "", "", "leave out --trace"),
    "setup only": (("--setup-only",), TEST, "", "", "leave out --setup-only"),
    "setup plan": (("--setup-plan",), TEST, "", "", "leave out --setup-plan"),
    "exit on timeout": ((), TEST, "", "faulthandler_exit_on_timeout = true", "set it to false"),
    "a timeout by a thread": (("--timeout-method=thread",), TEST, "", "", THREAD),
    "a timeout by a thread, in the ini": ((), TEST, "", "timeout_method = thread", THREAD),
    "a timeout by a thread, marked": ((), MARKED.format(mark='timeout(9, method="thread")'), "", "", THREAD),
    "a tracer": ((), TEST, DEBUGGER, "", "a debugger or a coverage tool traces this process"),
    "another bench, later": ((), TEST, LATE.format(what="bench = 'other.yaml'"), "", "--bench: typed otherwise"),
    "another sign-off, later": ((), TEST, LATE.format(what="signoff = 'x'"), "", "--signoff: typed otherwise"),
    "another leg, later": ((), TEST, LATE.format(what="leg.append('x')"), "", "--leg: typed otherwise"),
}


def refused(project: Project, args: tuple[str, ...], source: str) -> str:
    """What an inner run says that is refused as a whole."""
    done = project.run(source, *LIVE, *args)
    assert done.ret == pytest.ExitCode.USAGE_ERROR, done.out
    assert done.folders == ()
    assert "Traceback" not in done.out
    assert "INTERNALERROR" not in done.out
    return done.out


@pytest.mark.parametrize(("args", "source", "conftest", "ini", "said"), REFUSED.values(), ids=REFUSED)
def test_refused(args: tuple[str, ...], source: str, conftest: str, ini: str, said: str, project: Project) -> None:
    project.pytester.makeconftest(conftest)
    project.pytester.makeini(f"[pytest]\n{ini}\n")
    assert said in refused(project, args, source)


def test_all_at_once(project: Project) -> None:
    out = refused(project, ("--pdb", "--setup-only", "--timeout-method=thread"), TEST)
    assert len(out.strip().splitlines()) == 3


def test_without_the_rules_the_same_runs_go_on(project: Project) -> None:
    """So that the checks above can fail: the run goes on, and ends at the sign-off that is missing."""
    project.pytester.makeconftest(
        "import pytest\nimport legtest.plugin as plugin\nimport legtest.plugin.run as run\n\n"
        "patch = pytest.MonkeyPatch()\n"
        "for place in (plugin, run):\n    patch.setattr(place, 'check_live', lambda config: None)\n"
        "patch.setattr(run, 'check_live_items', lambda *items: None)\n\ndef pytest_unconfigure():\n    patch.undo()\n"
    )
    for args in (("--reruns=1",), ("--pdb",), ("--timeout-method=thread",)):
        done = project.run(TEST, *LIVE, *args, apart=True)
        assert "signoff.json: the sign-off cannot be read" in done.out


def _distribution(place: Path) -> None:
    """An installed plugin that nobody has heard of."""
    (place / "stranger.py").write_text("", encoding="utf-8")
    info = place / "stranger-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: stranger\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text("[pytest11]\nstranger = stranger\n", encoding="utf-8")


UNKNOWN = "the pytest plugin stranger (stranger 1.0) is not known to be harmless on a live bench"


def test_a_plugin_nobody_knows_must_be_typed(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    _distribution(project.pytester.path)
    monkeypatch.syspath_prepend(str(project.pytester.path))
    out = refused(project, (), TEST)
    assert f"{UNKNOWN}: leave it out with -p no:stranger, or type -p stranger" in out
    for way in (("-p", "stranger"), ("-pstranger",), ("-p", "no:stranger")):
        done = project.run(TEST, *LIVE, *way)
        assert UNKNOWN not in done.out
        assert "the sign-off cannot be read" in done.out
    environment = project.run(TEST, "-p", "no:stranger").run.header.environment
    assert environment["pytest plugin pytest-xdist"]
    assert "pytest plugin stranger" not in environment


def test_a_plugin_of_the_environment_is_refused(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    (project.pytester.path / "quiet.py").write_text("", encoding="utf-8")
    monkeypatch.syspath_prepend(str(project.pytester.path))
    monkeypatch.setenv("PYTEST_PLUGINS", "quiet")
    assert "PYTEST_PLUGINS loads plugins that nobody typed" in refused(project, (), TEST)


def _plugin(project: Project) -> tuple[str, ...]:
    (project.pytester.path / "writes.py").write_text(
        "def pytest_collection_finish(session):\n    session.config.option.live = True\n", encoding="utf-8"
    )
    project.pytester.syspathinsert()
    return ("-p", "writes")


def _after_dashes(project: Project) -> tuple[str, ...]:
    project.pytester.makeini("[pytest]\naddopts = --live\n")
    return ("--", "--live")


def _workers(project: Project) -> tuple[str, ...]:
    project.pytester.makeini("[pytest]\naddopts = --live -n 2\n")
    return ()


def _abbreviated(project: Project) -> tuple[str, ...]:
    return ("--liv",)


@pytest.mark.parametrize(
    ("way", "said"),
    [(_plugin, TYPED), (_after_dashes, TYPED), (_workers, TYPED), (_abbreviated, "unrecognized arguments: --liv")],
)
def test_live_must_be_typed(way: Callable[[Project], tuple[str, ...]], said: str, project: Project) -> None:
    (project.pytester.path / "test_user.py").write_text("", encoding="utf-8")
    done = project.run(TEST, *LIVE[1:], *way(project))
    assert done.ret == pytest.ExitCode.USAGE_ERROR, done.out
    assert said in done.out
    assert done.folders == ()


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        ("given(strategies.just(1))(lambda number: bench.precheck())()", "no @given around a live bench"),
        ("import sys; sys.settrace(lambda *seen: None); bench.precheck()", "a debugger or a coverage tool"),
    ],
)
def test_what_a_running_test_hides(inside: str, said: str, project: Project) -> None:
    """Asked again before the leg is energised: here on a simulated bench that takes itself for a live one."""
    project.pytester.makeconftest(
        "import sys, pytest\nfrom legtest.session import Setting\n\n"
        "@pytest.fixture(autouse=True)\ndef as_if_live(request, bench):\n"
        "    from legtest.plugin import RUN\n    request.config.stash[RUN].setting.live = True\n    yield\n"
        "    sys.settrace(None)\n    request.config.stash[RUN].setting.live = False\n"
    )
    source = f"from hypothesis import given, strategies\n\ndef test_it(bench):\n    {inside}\n"
    done = project.run(source, apart=True)
    assert done.ret == 1, done.out
    assert said in done.out
    assert done.run.parts[0].folder.joinpath("frames.log").stat().st_size == 0
