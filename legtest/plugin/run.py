"""The run of one pytest session, as a plugin object: it makes the record, opens benches, keeps the tally, reports."""

from __future__ import annotations

import atexit
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from legtest.errors import LegtestError, RecordError
from legtest.plugin.beside import Beside
from legtest.plugin.live_rules import check_live, check_live_items, plugins, refused_now
from legtest.plugin.signals import Signals
from legtest.plugin.tally import Tally

if TYPE_CHECKING:
    from legtest.bench import Bench
    from legtest.records.run import Mode, RunWriter
    from legtest.session import OpenBench, Setting

CASE = "legtest_case"  # the hidden parameter behind `leg`, `joint` and `bench`
DURATION = "leg_duration"  # mark


class RunSession:
    """Registered for as long as a session with --leg lasts. A parallel worker writes parts and nothing else.

    legs: file by name. now: the time of day, with its zone. `phase`: "call" while a test's own body runs.
    """

    def __init__(self, config: pytest.Config, legs: Mapping[str, str], now: Callable[[], datetime]) -> None:
        self.config, self.legs, self.phase = config, legs, ""
        self._now = now
        self._worker: Mapping[str, str] | None = getattr(config, "workerinput", None)
        self._pid = os.getpid()
        self._signals = Signals(self.benches)
        self._tally = Tally()
        self._beside = Beside(config)
        self._wanted: frozenset[str] = frozenset()
        self._open: list[OpenBench] = []
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
    def mode(self) -> Mode:
        """What the run is, by its sign-off. Raises pytest.UsageError when that does not hold."""
        signoff = self.config.getoption("--signoff")
        try:
            return self.setting.mode(Path(signoff) if signoff else None, self._now())
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
            self._writer = self.setting.create_run(
                Path(self.config.getoption("--leg-runs")), self._started, command, self.mode, plugins(self.config)
            )
        except LegtestError as error:
            raise pytest.UsageError(str(error)) from None
        return self._writer.folder

    # ------------------------------------------------------------------ benches
    def may_energise(self) -> str:
        """Why the leg may not move now, "" = it may."""
        if self.phase == "call":
            return refused_now() if self.setting.live else ""
        return "fixtures never energise: call homing.ensure(bench) and move in the test itself"

    def open(self, leg: str, test: str) -> OpenBench:
        """The bench of a test: a fresh simulated one, or the one live bench. Raises LegtestError."""
        from legtest.session import open_live, open_simulated

        if not self.setting.live:
            return self._keep(open_simulated(self.setting, self.setting.leg(leg), self.folder, test, self.may_energise))
        if self._live is None:
            signoff = Path(self.config.getoption("--signoff"))
            self._live = self._keep(open_live(self.setting, self.folder, signoff, self._now(), self.may_energise))
        self._live.log.test = test
        return self._live

    def _keep(self, opened: OpenBench) -> OpenBench:
        if not self._open:
            atexit.unregister(self.stop_all)
            atexit.register(self.stop_all)  # registered last, it runs first
        self._open.append(opened)
        return opened

    def let_go(self, opened: OpenBench) -> None:
        """After its test; the live bench stays open until the session ends. Raises RecordError."""
        if opened is not self._live:
            self._close(opened)

    def _close(self, opened: OpenBench) -> None:
        if opened in self._open:
            self._open.remove(opened)
            opened.close()

    def benches(self) -> Iterator[Bench]:
        """Those that are open."""
        return (opened.bench for opened in self._open)

    def stop_all(self) -> None:
        """Whatever is open is stopped and let go of; does nothing in a forked copy, nor when it was done before."""
        for opened in tuple(self._open):
            with suppress(LegtestError, OSError):
                self._close(opened)

    # ------------------------------------------------------------------ hooks: begin
    def pytest_sessionstart(self, session: pytest.Session) -> None:
        self._signals.install()
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
        items = [item for item in session.items if CASE in getattr(item, "fixturenames", ())]
        tests = [item.nodeid for item in items]
        if self.config.option.collectonly or broken or self._worker is not None or not tests:
            return
        twice = next((test for test in tests if tests.count(test) > 1), None)
        if twice is not None:
            raise pytest.UsageError(
                f"two tests have the id {twice!r}: the record could not tell them apart. Is a test file outside "
                f"pytest's rootdir {self.config.rootpath}? Then write --leg=FILE, or name the directory with --rootdir"
            )
        if self.setting.live:
            check_live_items(items, session.items)
        self._check_durations(items)
        self._wanted = frozenset(tests)
        self._announce()
        self._tell_selection(tests)

    def _tell_selection(self, tests: list[str]) -> None:
        if self._writer is not None:
            try:
                self._writer.selected(tests)
            except LegtestError as error:
                raise pytest.UsageError(str(error)) from None

    def _check_durations(self, items: list[pytest.Item]) -> None:
        """No permit lasts longer than a permit: a test that needs one longer is refused before anything moves."""
        longest_s = self.setting.permit_s
        long = [f"{item.nodeid}: {duration_of(item):g} s" for item in items if duration_of(item) > longest_s]
        if long:
            raise pytest.UsageError(
                f"{DURATION}: longer than the {longest_s:g} s that a permit lasts; cut the test in two:\n"
                + "\n".join(long)
            )

    def _announce(self) -> None:
        from legtest.records.reading import unsealed_runs

        self._beside.read()
        setting, folder = self.setting, self.folder
        reporter = self.config.pluginmanager.get_plugin("terminalreporter")
        if reporter is None:
            return
        simulated, rehearsed = f"SIMULATED, seed {setting.seed}", "LIVE (rehearsal)"
        what = {"SIMULATED": simulated, "REHEARSAL": rehearsed}.get(self.mode, "LIVE: keep clear of the leg")
        faults = f", faults put in: {', '.join(map(str, setting.faults))}" if setting.faults else ""
        rules = {f"{leg.decision.name}, {leg.decision.coverage:.0%}" for leg in setting.legs}
        reporter.ensure_newline()
        reporter.write_line(f"legtest: {what}{faults}; decision rule: {'; '.join(sorted(rules))}")
        reporter.write_line(f"legtest: record in {folder}")
        for earlier in unsealed_runs(folder.parent):
            if earlier != folder:
                reporter.write_line(f"legtest: {earlier} was not completed: it counts as failed")

    # ------------------------------------------------------------------ hooks: end
    @pytest.hookimpl(trylast=True)
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._tally.add(report)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        status = int(exitstatus)
        if status == pytest.ExitCode.OK and self._wanted - self._tally.tests.keys():
            status = pytest.ExitCode.INTERRUPTED  # somebody ended the session early and called it a success
        if os.getpid() != self._pid:
            return  # a forked copy that comes to its end: bench and record are not its own
        try:
            for opened in tuple(self._open):
                self._close(opened)
            if self._writer is not None:
                self._end(self._writer, status)
        except RecordError as error:
            self._problem = str(error)
        self._signals.restore()
        if self._writer is not None:
            status = self._beside.status(self._tally.exit_status(status))
            session.exitstatus = 11 if self._problem and status == 0 else status

    def _end(self, writer: RunWriter, status: int) -> None:
        """Journal how each test ended; a run that was interrupted gets no seal."""
        try:
            for name, test in self._tally.tests.items():
                writer.test_end(name, test.word, leg=test.leg, seconds=test.seconds, reason=test.reason)
            if self.setting.live:
                writer.attendance(*self.setting.attendance)
            if status in (0, 1) and self._tally.tests:
                self._beside.write(writer)
                writer.seal()
                self._beside.keep(writer)
        finally:
            writer.close()

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        if self._writer is None or not self._tally.tests or os.getpid() != self._pid:
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
        for line in self._beside.lines():
            reporter.write_line(line)
        for test in self._tally.missing:
            reporter.write_line(f"required, but {self._tally.tests[test].word}: {test}")
        if not self.setting.live:
            simulated = sum(part.events[-1].t_ns for part in finished.parts if part.events) * 1e-9
            wall = max(1e-3, (self._now() - self._started).total_seconds())
            times = f"{simulated / wall:.2g}" if simulated < 10 * wall else f"{simulated / wall:.0f}"
            reporter.write_line(f"simulated {simulated:.0f} s in {wall:.0f} s, {times} times real time")
        reporter.write_line(f"report: {write_reports(finished)['report.html']}")


def duration_of(item: pytest.Item) -> float:
    """How long a test says that it takes, seconds; 0 = it does not say. Raises pytest.UsageError."""
    from legtest.units import UnitError, parse

    mark = item.get_closest_marker(DURATION)
    if mark is None:
        return 0.0
    try:
        (text,) = mark.args
        return parse(text, "time")
    except (TypeError, ValueError, UnitError) as error:
        raise pytest.UsageError(
            f'{item.nodeid}: {DURATION} takes one text with a unit, such as "5 min": {error}'
        ) from None


def leave_copy() -> None:
    """End a forked copy of the session that has come out of a test: bench, record and tests are not its own."""
    os.write(2, b"legtest: a copy of the test process, made by a fork in a test, ends here\n")
    os._exit(70)
