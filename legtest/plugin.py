"""The pytest plugin: options, fixtures, and how a verdict becomes an outcome. It only wires.

Nothing heavy is imported before a test asks for a bench; collecting opens nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from legtest.errors import (
    DescriptionError,
    Inconclusive,
    Judged,
    LegFailed,
    LegtestError,
    MeasurementInvalid,
    NotJudged,
    NotRun,
    UsageError,
)

if TYPE_CHECKING:
    from legtest.bench import Bench
    from legtest.description.model import JointDescription, LegDescription
    from legtest.judge import Judge
    from legtest.session import OpenBench, Setting

CASE = "legtest_case"  # the hidden parameter behind `leg`, `joint` and `bench`
WORD = "legtest"  # name of the user property that carries a test's word
REQUIRED = "leg_required"
# exception -> word; its pytest outcome; its letter; from the most special to the most general
OUTCOMES: tuple[tuple[type[Exception], str, str, str], ...] = (
    (LegFailed, "fail", "failed", "F"),
    (Inconclusive, "inconclusive", "failed", "I"),
    (MeasurementInvalid, "invalid", "error", "V"),
    (NotJudged, "not judged", "error", "J"),
    (NotRun, "not run", "skipped", "s"),
    (Judged, "fail", "failed", "F"),
    (UsageError, "error", "error", "E"),
    (LegtestError, "bench error", "error", "B"),
)
SHOWN = {word: (outcome, letter, word.upper()) for _, word, outcome, letter in OUTCOMES}
SHOWN["no limit set"] = ("skipped", "n", "NO LIMIT SET")


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("legtest", "robot legs on the bench")
    group.addoption("--leg", action="append", default=[], metavar="FILE", help="leg file (YAML); may be given again")
    group.addoption("--bench", metavar="FILE", help="bench file (YAML); default: a simulated bench")
    group.addoption("--live", action="store_true", help="use the real bus of --bench; needs --signoff; only as typed")
    group.addoption("--signoff", metavar="FILE", help="sign-off of the steps that need a person, for --live")
    group.addoption("--leg-runs", metavar="DIR", default="runs", help="where run records go (default: %(default)s)")
    group.addoption("--leg-seed", metavar="N", type=int, help="seed of a simulated run (default: 1)")
    group.addoption(
        "--leg-fault", action="append", default=[], metavar="NAME[@JOINT][=SIZE]",
        help="put a fault into the simulated leg; `legtest faults` lists them",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", f"{REQUIRED}: the run exits 1 when this test was not run")
    if not config.getoption("--leg"):
        return
    _refuse_ambient(config)
    from legtest.description import light_read

    names: dict[str, str] = {}
    for path in config.getoption("--leg"):
        try:
            name, _ = light_read(path)
        except DescriptionError as error:
            raise pytest.UsageError(str(error)) from None
        if name in names:
            raise pytest.UsageError(f"--leg: {names[name]} and {path} both describe a leg named {name!r}")
        names[name] = path
    config.stash[LEGS] = names


LEGS = pytest.StashKey[dict[str, str]]()
RUN = pytest.StashKey["_Run"]()
JUDGE = pytest.StashKey["Judge"]()
OPEN = pytest.StashKey["OpenBench"]()


def _refuse_ambient(config: pytest.Config) -> None:
    """--live is a decision of the person who types it: not of a file, an environment variable or a plugin."""
    if not config.getoption("--live"):
        return
    if "--live" not in config.invocation_params.args:
        raise pytest.UsageError("--live came from configuration, the environment or a file: it must be typed")
    missing = [option for option in ("--bench", "--signoff") if not config.getoption(option)]
    if missing:
        raise pytest.UsageError(f"--live needs {' and '.join(missing)}")
    if getattr(config.option, "numprocesses", None) or hasattr(config, "workerinput"):
        raise pytest.UsageError("--live runs in one process: leave out -n")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if CASE not in metafunc.fixturenames:
        return
    legs = metafunc.config.stash.get(LEGS, {})
    if not legs:
        raise pytest.UsageError("these tests need a leg: add --leg FILE (for example --leg fixtures/legs/tarn-fl.yaml)")
    from legtest.description import light_read

    cases: list[tuple[str, str | None]] = []
    for name, path in legs.items():
        joints = light_read(path)[1] if "joint" in metafunc.fixturenames else (None,)
        cases += [(name, joint) for joint in joints]
    ids = ["-".join(filter(None, case)) for case in cases]
    metafunc.parametrize(CASE, cases, indirect=True, ids=ids, scope="function")


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Read every file whole before the first test, so that a bad one is one usage error and not one per test."""
    config = session.config
    if config.option.collectonly or not any(CASE in getattr(item, "fixturenames", ()) for item in session.items):
        return
    run = _Run.of(config)
    if not hasattr(config, "workerinput"):
        run.announce()


class _Run:
    """The run of this session. A parallel worker has its folder from the controller and writes only parts."""

    def __init__(self, config: pytest.Config) -> None:
        from legtest.session import Setting

        self.config = config
        self.worker = hasattr(config, "workerinput")
        option = config.getoption
        try:
            self.setting: Setting = Setting(
                option("--leg"), option("--bench"), option("--leg-seed"), option("--leg-fault"), option("--live")
            )
        except LegtestError as error:
            raise pytest.UsageError(str(error)) from None
        self.phase = ""
        self.live: OpenBench | None = None
        self.words: dict[str, tuple[str, str]] = {}
        self.seconds: dict[str, float] = {}
        self.missing: list[str] = []
        self.folder = Path(config.workerinput["legtest_run"]) if self.worker else self._create()  # type: ignore[attr-defined]

    def _create(self) -> Path:
        args = [str(arg) for arg in self.config.invocation_params.args]
        try:
            self.writer = self.setting.create_run(
                Path(self.config.getoption("--leg-runs")), datetime.now().astimezone(), ["pytest", *args]
            )
        except LegtestError as error:
            raise pytest.UsageError(str(error)) from None
        return self.writer.folder

    @classmethod
    def of(cls, config: pytest.Config) -> _Run:
        if RUN not in config.stash:
            config.stash[RUN] = cls(config)
        return config.stash[RUN]

    def announce(self) -> None:
        reporter = self.config.pluginmanager.get_plugin("terminalreporter")
        if reporter is not None:
            setting = self.setting
            what = "LIVE (rehearsal)" if setting.live else f"SIMULATED, seed {setting.seed}"
            faults = f", faults put in: {', '.join(map(str, setting.faults))}" if setting.faults else ""
            rules = {f"{leg.decision.name}, {leg.decision.coverage:.0%}" for leg in setting.legs}
            reporter.write_line(f"legtest: {what}{faults}; decision rule: {'; '.join(sorted(rules))}")
            reporter.write_line(f"legtest: record in {self.folder}")

    def may_energise(self) -> str:
        if self.phase == "call":
            return ""
        return "fixtures never energise: call homing.ensure(bench) and move in the test itself"

    def open(self, leg: str, test: str) -> OpenBench:
        from legtest.session import open_live, open_simulated

        if not self.setting.live:
            return open_simulated(self.setting, self.setting.leg(leg), self.folder, test, self.may_energise)
        if self.live is None:
            signoff = Path(self.config.getoption("--signoff"))
            self.live = open_live(self.setting, self.folder, signoff, datetime.now().astimezone(), self.may_energise)
        self.live.log.test = test
        return self.live


@pytest.fixture
def legtest_case(request: pytest.FixtureRequest) -> tuple[str, str | None]:
    """Which leg, and which joint, this test is about."""
    case: tuple[str, str | None] = request.param
    return case


@pytest.fixture
def leg(legtest_case: tuple[str, str | None], request: pytest.FixtureRequest) -> LegDescription:
    """The description of the leg under test."""
    return _Run.of(request.config).setting.leg(legtest_case[0])


@pytest.fixture
def joint(legtest_case: tuple[str, str | None], leg: LegDescription) -> JointDescription:
    """The joint under test; asking for it runs the test once for every joint."""
    return leg.joint(legtest_case[1] or "")


@pytest.fixture
def bench(legtest_case: tuple[str, str | None], request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The open bench. Opening energises nothing; the first motion does, behind the pre-check."""
    run = _Run.of(request.config)
    try:
        opened = run.open(legtest_case[0], request.node.nodeid)
    except LegtestError as error:
        raise pytest.fail.Exception(f"bench error: {error}", pytrace=False) from error
    request.node.stash[OPEN] = opened
    yield opened.bench
    if opened is not run.live:
        opened.close()


@pytest.fixture
def judge(bench: Bench, leg: LegDescription, request: pytest.FixtureRequest) -> Judge:
    """judge(*measurements): holds them against the leg file's criteria, or against limits given as texts with units."""
    from legtest.judge import Judge

    made = Judge(leg, request.node.stash[OPEN].log, request.node.nodeid)
    request.node.stash[JUDGE] = made
    return made


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Innermost: the leg is stopped before anything else hears how the test ended; then the worst verdict decides."""
    opened = item.stash.get(OPEN, None)
    if opened is None:
        return (yield)
    run = _Run.of(item.config)
    run.phase = "call"
    try:
        try:
            result = yield
        finally:
            run.phase = ""
            opened.bench.stop("the test has ended")
        judged = item.stash.get(JUDGE, None)
        if judged is not None:
            judged.conclude()
            if judged.without_limits:
                item.user_properties.append((WORD, "no limit set"))
                pytest.skip("no limit set: " + "; ".join(judged.line(verdict) for verdict in judged.verdicts))
    except LegtestError as error:
        raise _outcome(item, opened, error) from error
    return result


def _outcome(item: pytest.Item, opened: OpenBench, error: LegtestError) -> BaseException:
    word = next(word for kind, word, _, _ in OUTCOMES if isinstance(error, kind))
    item.user_properties.append((WORD, word))
    if word in ("bench error", "error"):
        opened.log.part.bench_error(opened.log.now(), str(error), test=opened.log.test)
    if word == "not run":
        return pytest.skip.Exception(f"not run: {error}", _use_item_location=True)
    return pytest.fail.Exception(f"{word}: {error}", pytrace=False)


def _word(report: pytest.TestReport) -> str | None:
    return next((str(value) for name, value in report.user_properties if name == WORD), None)


@pytest.hookimpl(tryfirst=True)
def pytest_report_teststatus(report: pytest.TestReport | pytest.CollectReport) -> tuple[str, str, str] | None:
    if isinstance(report, pytest.TestReport) and report.when == "call":
        return SHOWN.get(_word(report) or "")
    return None


@pytest.hookimpl(trylast=True)
def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Runs in the controller too, where the plugin of this session keeps the tally."""
    run = _CONTROLLER.get("run")
    if run is None:
        return
    run.seconds[report.nodeid] = run.seconds.get(report.nodeid, 0.0) + report.duration
    word = _word(report) or {"passed": "pass", "failed": "error", "skipped": "not run"}[report.outcome]
    if report.when == "call" and report.outcome == "failed" and _word(report) is None:
        word = "fail"  # the test's own assertion
    reason = "" if report.passed else str(report.longreprtext or _skip_reason(report))
    if report.when == "call" or report.outcome != "passed":
        run.words.setdefault(report.nodeid, (word, reason.strip()[:4000]))
        if word == "not run" and REQUIRED in report.keywords:
            run.missing.append(report.nodeid)


def _skip_reason(report: pytest.TestReport) -> str:
    return report.longrepr[2] if isinstance(report.longrepr, tuple) else ""


# The controller's run, for hooks that pytest calls without a config.
_CONTROLLER: dict[str, _Run] = {}


def pytest_sessionstart(session: pytest.Session) -> None:
    _CONTROLLER.clear()
    if getattr(session.config.option, "numprocesses", None) and session.config.stash.get(LEGS, {}):
        _CONTROLLER["run"] = _Run.of(session.config)
        _CONTROLLER["run"].announce()


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """pytest-xdist: tell a worker where the run is."""
    if LEGS in node.config.stash:
        node.workerinput["legtest_run"] = str(_Run.of(node.config).folder)


def pytest_runtestloop(session: pytest.Session) -> None:
    if RUN in session.config.stash and not hasattr(session.config, "workerinput"):
        _CONTROLLER["run"] = session.config.stash[RUN]


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    run = session.config.stash.get(RUN, None)
    if run is None:
        return
    if run.live is not None:
        run.live.close()
    if run.worker:
        return
    session.exitstatus = _exit_status(run, int(exitstatus))
    if not run.words:
        run.writer.close()
        return
    for test, (word, reason) in run.words.items():
        leg = next((name for name in session.config.stash[LEGS] if f"[{name}" in test), "")
        run.writer.test_end(test, word, leg=leg, seconds=run.seconds[test], reason=reason if word != "pass" else "")
    if exitstatus in (0, 1):
        run.writer.seal()
    else:
        run.writer.close()


def _exit_status(run: _Run, status: int) -> int:
    """0 all passed; 1 some leg failed, or a required test was not run; 10 inconclusive or invalid; 11 bench error."""
    if status not in (0, 1):
        return status
    words = {word for word, _ in run.words.values()}
    if words & {"fail", "error"} or run.missing:
        return 1
    if words & {"bench error", "not judged"}:
        return 11
    if words & {"inconclusive", "invalid"}:
        return 10
    return status


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    run = config.stash.get(RUN, None)
    if run is None or run.worker or not run.words:
        return
    from legtest.records.reading import read_run
    from legtest.reports.console import table_lines
    from legtest.reports.write import write_reports

    finished = read_run(run.folder)
    terminalreporter.section("legtest")
    for line in table_lines(finished, max(100, min(terminalreporter._tw.fullwidth, 140))):
        terminalreporter.write_line(line)
    for test in run.missing:
        terminalreporter.write_line(f"required, but not run: {test}")
    try:
        written = write_reports(finished)
        terminalreporter.write_line(f"report: {written['report.html']}")
    except LegtestError as error:
        terminalreporter.write_line(f"no report: {error}")


def pytest_unconfigure(config: pytest.Config) -> None:
    _CONTROLLER.clear()
