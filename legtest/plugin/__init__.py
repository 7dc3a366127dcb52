"""The pytest plugin: options, fixtures, and how a verdict becomes an outcome. It only wires.

Nothing heavy is imported before a test asks for a bench; collecting opens nothing.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from legtest.errors import DescriptionError, LegtestError, RecordError, UsageError
from legtest.plugin.beside import add_options
from legtest.plugin.live_rules import check_live
from legtest.plugin.outcomes import (
    BENCH_ERROR,
    DECIDED_BY,
    NO_LIMIT,
    TEARDOWN_WORD,
    WORD,
    exception_of,
    shown,
    word_of,
)
from legtest.plugin.progress import Progress
from legtest.plugin.run import CASE, DURATION, RunSession, duration_of, leave_copy
from legtest.plugin.tally import LEG, REQUIRED

if TYPE_CHECKING:
    from legtest.bench import Bench
    from legtest.description.model import JointDescription, LegDescription
    from legtest.judge import Judge
    from legtest.session import OpenBench

RUN: pytest.StashKey[RunSession] = pytest.StashKey()
JUDGE: pytest.StashKey[Judge] = pytest.StashKey()
OPEN: pytest.StashKey[OpenBench] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("legtest", "robot legs on the bench")
    group.addoption("--leg", action="append", default=[], metavar="FILE", help="leg file (YAML); may be given again")
    group.addoption("--bench", metavar="FILE", help="bench file (YAML); default: a simulated bench")
    group.addoption("--live", action="store_true", help="run on the real bus of --bench, with --signoff; only as typed")
    group.addoption("--signoff", metavar="FILE", help="sign-off of the steps that need a person, for --live")
    group.addoption("--leg-runs", metavar="DIR", default="runs", help="where run records go (default: %(default)s)")
    group.addoption("--leg-seed", metavar="N", type=int, help="seed of a simulated run (default: 1)")
    group.addoption(
        "--leg-fault", action="append", default=[], metavar="NAME[@JOINT][=SIZE]",
        help="put a fault into the simulated leg; `legtest faults` lists them",
    )  # fmt: skip
    add_options(group)


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", f"{REQUIRED}: the run exits 1 when this test has judged no leg")
    config.addinivalue_line("markers", f"{DURATION}(text): how long the test moves the leg, such as '5 min'")
    check_live(config)
    if config.getoption("--leg"):
        run = RunSession(config, _legs(config.getoption("--leg")), lambda: datetime.now().astimezone())
        config.stash[RUN] = run
        config.pluginmanager.register(run, "legtest run")
        if not hasattr(config, "workerinput"):
            runs = Path(config.getoption("--leg-runs"))
            config.pluginmanager.register(Progress(config, monotonic, runs), "legtest progress")


def pytest_unconfigure(config: pytest.Config) -> None:
    run = config.stash.get(RUN, None)
    if run is not None:
        run.stop_all()
        del config.stash[RUN]
        config.pluginmanager.unregister(run)


def _legs(paths: list[str]) -> dict[str, str]:
    from legtest.description import light_read

    names: dict[str, str] = {}
    problems: list[str] = []
    for path in paths:
        try:
            name, _ = light_read(path)
        except DescriptionError as error:
            problems.append(str(error))
            continue
        if name in names:
            problems.append(f"--leg: {names[name]} and {path} both describe a leg named {name!r}")
        names[name] = path
    if problems:
        raise pytest.UsageError("\n".join(problems))
    return names


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if CASE not in metafunc.fixturenames:
        return
    run = metafunc.config.stash.get(RUN, None)
    if run is None:
        raise pytest.Collector.CollectError("these tests need a leg: add --leg FILE, for example --leg my-leg.yaml")
    from legtest.description import light_read

    cases: list[tuple[str, str | None]] = []
    for name, path in run.legs.items():
        joints = light_read(path)[1] if "joint" in metafunc.fixturenames else (None,)
        cases += [(name, joint) for joint in joints]
    ids = ["-".join(filter(None, case)) for case in cases]
    metafunc.parametrize(CASE, cases, indirect=True, ids=ids, scope="function")


@pytest.fixture
def legtest_case(request: pytest.FixtureRequest) -> tuple[str, str | None]:
    """Which leg, and which joint, this test is about."""
    case: tuple[str, str | None] | None = getattr(request, "param", None)
    if case is None:
        raise UsageError("name `leg`, `joint`, `bench` or `judge` among the arguments of the test or of its fixtures")
    request.node.user_properties.append((LEG, case[0]))
    return case


@pytest.fixture
def leg(legtest_case: tuple[str, str | None], request: pytest.FixtureRequest) -> LegDescription:
    """The description of the leg under test."""
    return request.config.stash[RUN].setting.leg(legtest_case[0])


@pytest.fixture
def joint(legtest_case: tuple[str, str | None], leg: LegDescription) -> JointDescription:
    """The joint under test; asking for it runs the test once for every joint."""
    return leg.joint(legtest_case[1] or "")


@pytest.fixture
def bench(legtest_case: tuple[str, str | None], request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The open bench. Opening energises nothing; the first motion does, behind the pre-check."""
    run = request.config.stash[RUN]
    opened = request.node.stash[OPEN] = run.open(legtest_case[0], request.node.nodeid)
    yield opened.bench
    run.let_go(opened)


@pytest.fixture
def judge(bench: Bench, leg: LegDescription, request: pytest.FixtureRequest) -> Judge:
    """judge(*measurements): holds them against the leg file's criteria, or against limits given as texts with units."""
    from legtest.judge import Judge

    made = request.node.stash[JUDGE] = Judge(leg, request.node.stash[OPEN].log, request.node.nodeid)
    return made


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None]:
    with _told(item, WORD):
        yield


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None]:
    """Innermost: the leg is stopped before anything else hears how the test ended; then the worst verdict decides."""
    run = item.config.stash.get(RUN, None)
    with _told(item, WORD):
        opened = item.stash.get(OPEN, None)
        if run is None or opened is None:
            return (yield)
        run.phase, bench = "call", opened.bench
        bench.energy.begin_test()
        try:
            bench.reserve(duration_of(item), item.name)
            result = yield
        finally:
            run.phase = ""
            if not bench.is_ours:
                leave_copy()
            bench.stop("the test has ended")
        if bench.stopped is not None:
            raise bench.stopped  # a test that caught it and went on has not passed
        _conclude(item)
        bench.energy.test_passed()
        return result


def _conclude(item: pytest.Item) -> None:
    """The worst verdict of a test that has come to its end."""
    judged = item.stash.get(JUDGE, None)
    if judged is None:
        return
    item.user_properties.append((DECIDED_BY, "verdict" if judged.verdicts else "nothing"))
    judged.conclude()
    if judged.without_limits:
        item.user_properties.append((WORD, NO_LIMIT))
        raise exception_of(NO_LIMIT, "; ".join(judged.line(verdict) for verdict in judged.verdicts))


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None]:
    with _told(item, TEARDOWN_WORD):
        yield


@contextmanager
def _told(item: pytest.Item, name: str) -> Iterator[None]:
    """An exception of ours becomes pytest's outcome, and its word a property of the test."""
    try:
        yield
    except LegtestError as error:
        word = word_of(error)
        item.user_properties.append((name, word))
        opened = item.stash.get(OPEN, None)
        if opened is not None and word == BENCH_ERROR:
            with suppress(RecordError):  # the disk may be what went wrong; the run's own journal has the reason too
                opened.log.part.bench_error(opened.log.now(), str(error), test=opened.log.test)
        raise exception_of(word, str(error)) from None


@pytest.hookimpl(tryfirst=True)
def pytest_report_teststatus(report: pytest.TestReport | pytest.CollectReport) -> tuple[str, str, str] | None:
    return shown(report) if isinstance(report, pytest.TestReport) else None
