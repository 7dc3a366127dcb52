"""The run of one pytest session, as a plugin object: it makes the record, opens benches, keeps the tally, reports."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from legtest.errors import LegtestError, RecordError
from legtest.plugin.tally import Tally

if TYPE_CHECKING:
    from legtest.records.run import RunWriter
    from legtest.session import OpenBench, Setting

CASE = "legtest_case"  # the hidden parameter behind `leg`, `joint` and `bench`


def check_live(config: pytest.Config) -> None:
    """--live is a decision of the person who types it: not of a file, an environment variable or a plugin."""
    if not config.getoption("--live"):
        return
    if "--live" not in config.invocation_params.args:
        raise pytest.UsageError("--live came from configuration, the environment or a file: it must be typed")
    missing = [option for option in ("--leg", "--bench", "--signoff") if not config.getoption(option)]
    if missing:
        raise pytest.UsageError(f"--live needs {' and '.join(missing)}")
    option = config.option
    parallel = getattr(option, "numprocesses", None) or getattr(option, "tx", None)
    if parallel or getattr(option, "dist", "no") != "no" or hasattr(config, "workerinput"):
        raise pytest.UsageError("--live runs in one process: leave out -n")


class RunSession:
    """Registered for as long as a session with --leg lasts. A parallel worker writes parts and nothing else.

    legs: file by name. now: the time of day, with its zone. `phase`: "call" while a test's own body runs.
    """

    def __init__(self, config: pytest.Config, legs: Mapping[str, str], now: Callable[[], datetime]) -> None:
        self.config, self.legs, self.phase = config, legs, ""
        self._now = now
        self._worker: Mapping[str, str] | None = getattr(config, "workerinput", None)
        self._tally = Tally()
        self._live: OpenBench | None = None
        self._writer: RunWriter | None = None
        self._problem = ""

    # ------------------------------------------------------------------ what was asked for
    @cached_property
    def setting(self) -> Setting:
        """Every file, read whole. Raises pytest.UsageError with all that is wrong."""
        from legtest.session import Setting

        check_live(self.config)  # again: a conftest may have set the option meanwhile
        option = self.config.getoption
        try:
            return Setting(
                option("--leg"), option("--bench"), option("--leg-seed"), option("--leg-fault"), option("--live")
            )
        except LegtestError as error:
            raise pytest.UsageError(str(error)) from None

    @cached_property
    def folder(self) -> Path:
        """Where the record of this run goes. Raises pytest.UsageError when it cannot be made."""
        if self._worker is not None:
            return Path(self._worker["legtest_run"])
        command = ["pytest", *map(str, self.config.invocation_params.args)]
        self._started = self._now()
        try:
            self._writer = self.setting.create_run(Path(self.config.getoption("--leg-runs")), self._started, command)
        except LegtestError as error:
            raise pytest.UsageError(str(error)) from None
        return self._writer.folder

    # ------------------------------------------------------------------ benches
    def may_energise(self) -> str:
        """Why the leg may not move now, "" = it may."""
        if self.phase == "call":
            return ""
        return "fixtures never energise: call homing.ensure(bench) and move in the test itself"

    def open(self, leg: str, test: str) -> OpenBench:
        """The bench of a test: a fresh simulated one, or the one live bench. Raises LegtestError."""
        from legtest.session import open_live, open_simulated

        if not self.setting.live:
            return open_simulated(self.setting, self.setting.leg(leg), self.folder, test, self.may_energise)
        if self._live is None:
            signoff = Path(self.config.getoption("--signoff"))
            self._live = open_live(self.setting, self.folder, signoff, self._now(), self.may_energise)
        self._live.log.test = test
        return self._live

    def let_go(self, opened: OpenBench) -> None:
        """After its test; the live bench stays open until the session ends. Raises RecordError."""
        if opened is not self._live:
            opened.close()

    # ------------------------------------------------------------------ hooks: begin
    def pytest_sessionstart(self, session: pytest.Session) -> None:
        # With parallel workers the controller collects nothing itself, and they need the folder.
        if self.config.pluginmanager.hasplugin("dsession"):
            self._announce()

    @pytest.hookimpl(optionalhook=True)
    def pytest_configure_node(self, node: Any) -> None:
        """pytest-xdist: tell a worker where the run is."""
        node.workerinput["legtest_run"] = str(self.folder)

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Before the first test, so that a bad file is one usage error and not one per test."""
        broken = session.testsfailed and not self.config.option.continue_on_collection_errors
        tests = [item.nodeid for item in session.items if CASE in getattr(item, "fixturenames", ())]
        if self.config.option.collectonly or broken or self._worker is not None or not tests:
            return
        twice = next((test for test in tests if tests.count(test) > 1), None)
        if twice is not None:
            raise pytest.UsageError(
                f"two tests have the id {twice!r}: the record could not tell them apart. Is a test file outside "
                f"pytest's rootdir {self.config.rootpath}? Then write --leg=FILE, or name the directory with --rootdir"
            )
        self._announce()

    def _announce(self) -> None:
        setting, folder = self.setting, self.folder
        reporter = self.config.pluginmanager.get_plugin("terminalreporter")
        if reporter is None:
            return
        what = "LIVE (rehearsal)" if setting.live else f"SIMULATED, seed {setting.seed}"
        faults = f", faults put in: {', '.join(map(str, setting.faults))}" if setting.faults else ""
        rules = {f"{leg.decision.name}, {leg.decision.coverage:.0%}" for leg in setting.legs}
        reporter.ensure_newline()
        reporter.write_line(f"legtest: {what}{faults}; decision rule: {'; '.join(sorted(rules))}")
        reporter.write_line(f"legtest: record in {folder}")

    # ------------------------------------------------------------------ hooks: end
    @pytest.hookimpl(trylast=True)
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._tally.add(report)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        status = int(exitstatus)
        try:
            if self._live is not None:
                self._live.close()
            if self._writer is not None:
                self._end(self._writer, status)
        except RecordError as error:
            self._problem = str(error)
        if self._writer is not None:
            status = self._tally.exit_status(status)
            session.exitstatus = 11 if self._problem and status == 0 else status

    def _end(self, writer: RunWriter, status: int) -> None:
        """Journal how each test ended; a run that was interrupted gets no seal."""
        try:
            for name, test in self._tally.tests.items():
                writer.test_end(name, test.word, leg=test.leg, seconds=test.seconds, reason=test.reason)
            if status in (0, 1) and self._tally.tests:
                writer.seal()
        finally:
            writer.close()

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        if self._writer is None or not self._tally.tests:
            return
        terminalreporter.section("legtest")
        try:
            self._summary(terminalreporter)
        except RecordError as error:
            self._problem = self._problem or str(error)
        if self._problem:
            terminalreporter.write_line(f"bench error: {self._problem}")

    def _summary(self, reporter: Any) -> None:
        from legtest.records.reading import read_run
        from legtest.reports.console import table_lines
        from legtest.reports.write import write_reports

        finished = read_run(self.folder)
        for line in table_lines(finished, max(100, min(reporter._tw.fullwidth, 140))):
            reporter.write_line(line)
        for test in self._tally.missing:
            reporter.write_line(f"required, but {self._tally.tests[test].word}: {test}")
        if not self.setting.live:
            simulated = sum(part.events[-1].t_ns for part in finished.parts if part.events) * 1e-9
            wall = max(1e-3, (self._now() - self._started).total_seconds())
            times = f"{simulated / wall:.2g}" if simulated < 10 * wall else f"{simulated / wall:.0f}"
            reporter.write_line(f"simulated {simulated:.0f} s in {wall:.0f} s, {times} times real time")
        reporter.write_line(f"report: {write_reports(finished)['report.html']}")
