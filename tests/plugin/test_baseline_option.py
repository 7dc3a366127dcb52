"""`--leg-baseline`, the trend that a run keeps of itself, and how far it has come."""

from __future__ import annotations

import re
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from legtest.cli.main import main
from legtest.history.sql import open_history
from legtest.history.store import legs_in, runs_of
from legtest.plugin.progress import Progress, seconds_before, time_left
from legtest.records.reading import verify
from tests.plugin.conftest import Inner, Project

LEG = "tarn-hopper"
SAG = """
@pytest.mark.parametrize("n", [1, 2])
def test_it(bench, judge, n):
    judge(measured("sag", {value}, u={u}, unit="mm"), between=("-3 mm", "3 mm"))
"""  # margin: a third of 3 mm


def sag(value: float, u: float = 0.1) -> str:
    return SAG.format(value=value, u=u)


def accept(project: Project, done: Inner, name: str = "first") -> None:
    words = ["baseline", "accept", str(done.folders[-1]), "--name", name, "--by", "M. Osei", "--reason", "first"]
    words += ["--baselines", str(project.pytester.path / "baselines")]
    assert CliRunner().invoke(main, words).exit_code == 0


PROGRESS_AT_ONCE = "import pytest, legtest.plugin.progress as p\np.WATCHED_S = p.ELSEWHERE_S = 0.0\n"


@pytest.mark.slow
@pytest.mark.parametrize("parallel", [(), ("-n", "2")], ids=["one process", "two workers"])
def test_a_run_that_is_as_it_was(project: Project, parallel: tuple[str, ...]) -> None:
    accept(project, project.run(sag(1.0)))
    project.pytester.makeconftest(PROGRESS_AT_ONCE)
    done = project.run(sag(1.1), "--leg-baseline=first", *parallel, apart=True)
    assert re.search(r"^legtest: 1 of 2 tests, about \d+ s left$", done.out, re.MULTILINE)
    assert len(seconds_before(project.pytester.path / "runs")) == 2
    assert done.ret == 0, done.out
    assert f"compared with baseline first ({done.folders[0].name}): equivalent: 2 equivalent" in done.out
    bodies = list(done.run.bodies("comparison"))
    assert [b["outcome"] for b in bodies] == ["equivalent"] * 2
    assert [b["difference"] for b in bodies] == pytest.approx([1e-4] * 2)
    assert (bodies[0]["baseline"], bodies[0]["baseline_run"]) == ("first", done.folders[0].name)
    assert verify(done.folders[-1]) == []


@pytest.mark.parametrize(
    ("value", "u", "outcome", "code", "said"),
    [
        (2.5, 0.1, "different", 1, "leg sag changed +1.50 mm, U 0.23 mm (90 %), margin 1 mm: different"),
        (1.9, 0.2, "undecided", 10, "margin 1 mm: undecided; 13 repeats needed"),
        (1.9, 0.1, "undecided", 10, "leg sag changed +0.90 mm, U 0.23 mm (90 %), margin 1 mm: undecided"),
    ],
)
def test_a_run_that_is_not_fails(
    project: Project, value: float, u: float, outcome: str, code: int, said: str
) -> None:
    accept(project, project.run(sag(1.0, 0.02 if u == 0.2 else 0.1)))
    done = project.run(sag(value, u), "--leg-baseline=first")
    assert (done.ret, done.outcomes) == (code, {"passed": 2}), done.out
    assert said in done.out
    assert {b["outcome"] for b in done.run.bodies("comparison")} == {outcome}


def test_a_baseline_that_nothing_can_be_compared_with_fails_the_run(project: Project) -> None:
    accept(project, project.run(sag(1.0)))
    done = project.run(sag(1.0).replace("test_it", "test_renamed"), "--leg-baseline=first")
    assert done.ret == 10
    assert "refused: no quantity of the same leg and test in both" in done.out
    assert {b["outcome"] for b in done.run.bodies("comparison")} == {"refused"}


def test_a_failing_test_stays_the_reason(project: Project) -> None:
    accept(project, project.run(sag(1.0)))
    assert project.run(sag(5.0), "--leg-baseline=first").ret == 1
    assert project.run(sag(2.95), "--leg-baseline=first").ret == 1  # by its limit inconclusive


def test_a_run_stands_for_a_baseline_and_a_wrong_name_is_a_usage_error(project: Project) -> None:
    first = project.run(sag(1.0))
    done = project.run(sag(1.0), f"--leg-baseline={first.folders[0]}")
    assert done.ret == 0
    assert f"compared with {first.folders[0].name}: equivalent" in done.out
    done = project.run(sag(1.0), "--leg-baseline=nobody")
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert "--leg-baseline: 'nobody' is neither the folder of a run nor a baseline" in done.out


# ------------------------------------------------------------------ trend
def test_every_sealed_run_is_kept_and_shows_its_trend(project: Project) -> None:
    for value in (1.00, 1.02, 0.98, 1.01, 0.99):
        assert project.run(sag(value)).ret == 0
    done = project.run(sag(2.5))
    assert done.ret == 0  # a trend never decides
    assert f"trend of {LEG} over 6 runs: 2 of 2 quantities drift" in done.out
    assert "jump up: " in done.out
    bodies = list(done.run.bodies("trend"))
    assert [len(b["values"]) for b in bodies] == [6, 6]
    assert bodies[0]["values"][-1] == pytest.approx(0.0025)
    assert bodies[0]["low"] < 0.001 < bodies[0]["high"] < 0.0025
    assert bodies[0]["signal"].startswith("jump up")
    assert verify(done.folders[-1]) == []
    with closing(open_history(str(project.pytester.path / "runs" / "history.sqlite"))) as database:
        assert [row.run for row in runs_of(database, LEG, 99)] == [folder.name for folder in done.folders]


def test_the_history_is_where_it_is_told(project: Project) -> None:
    path = project.pytester.path
    assert project.run(sag(1.0), "--leg-history=none").ret == 0
    assert not (path / "runs" / "history.sqlite").exists()
    assert project.run(sag(1.0), f"--leg-history={path / 'h.db'}").ret == 0
    with closing(open_history(str(path / "h.db"))) as database:
        assert legs_in(database) == [LEG]


def test_a_history_that_cannot_be_used_is_said_and_no_fault_of_the_run(project: Project) -> None:
    (project.pytester.path / "h.db").write_text("no database at all, and long enough to look at" * 100)
    done = project.run(sag(1.0), "--leg-history=h.db")
    assert done.ret == 0
    assert "no trend: h.db: the history cannot be used: file is not a database" in done.out
    assert f"`legtest import runs/{done.folders[-1].name}` does it later" in done.out
    assert verify(done.folders[-1]) == []


def test_a_baseline_file_that_is_broken_does_not_hide_the_trend(project: Project) -> None:
    accept(project, project.run(sag(1.0)))
    (broken,) = project.pytester.path.glob("baselines/first/*.json")
    broken.write_text("{}")
    done = project.run(sag(1.0))
    assert done.ret == 0
    assert "charts do not begin anew at accepted runs: baselines/first/001.json: this is not a legtest" in done.out
    assert len(list(done.run.bodies("trend"))) == 2


def test_the_address_of_a_database_is_typed(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTEST_ADDOPTS", "--leg-history=postgresql://server/x")
    done = project.run(sag(1.0))
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert "the address of a database must be typed on the command line" in done.out


def test_an_interrupted_run_is_neither_compared_nor_kept(project: Project) -> None:
    accept(project, project.run(sag(1.0)))
    done = project.run("def test_it(bench):\n    raise KeyboardInterrupt\n", "--leg-baseline=first", apart=True)
    assert done.ret == 2
    assert list(done.run.bodies("comparison")) == []
    with closing(open_history(str(project.pytester.path / "runs" / "history.sqlite"))) as database:
        assert len(runs_of(database, LEG, 99)) == 1


# ------------------------------------------------------------------ progress
def test_the_time_left_goes_by_what_the_tests_took_before() -> None:
    total = ("a", "b", "c", "new")
    before = {"a": 10.0, "b": 30.0, "c": 20.0}
    assert time_left(total, ["a"], before, 5.0) == pytest.approx(5.0 * (30 + 20 + 20) / 10)
    assert time_left(total, ["a", "b", "a"], before, 20.0) == pytest.approx(20.0 * 40 / 40)
    assert time_left(total, ["a"], {}, 5.0) == pytest.approx(15.0)
    assert time_left(total, [], before, 5.0) == 0.0


class _Reporter:
    def __init__(self, isatty: bool) -> None:
        self.isatty, self.lines = isatty, list[str]()

    def ensure_newline(self) -> None: ...

    def write_line(self, line: str) -> None:
        self.lines.append(line)


@pytest.mark.parametrize(("watched", "lines"), [(True, 6), (False, 1)])
def test_lines_come_now_and_then(watched: bool, lines: int, tmp_path: Path) -> None:
    reporter, now = _Reporter(watched), 0.0

    class Config:
        class pluginmanager:  # noqa: N801
            @staticmethod
            def get_plugin(name: str) -> Any:
                return reporter

    progress = Progress(Config, lambda: now, tmp_path)  # type: ignore[arg-type]
    tests = [f"t{n}" for n in range(20)]
    progress.pytest_xdist_node_collection_finished(None, tests)
    progress.pytest_xdist_node_collection_finished(None, ["of the second worker, the same"])
    for test in tests:
        now += 5.0
        progress.pytest_runtest_logfinish(test)
    assert len(reporter.lines) == lines
    assert reporter.lines[-1] == "legtest: 18 of 20 tests, about 10 s left" if watched else reporter.lines[0]
    assert reporter.lines[0].startswith("legtest: ")


def test_earlier_runs_that_cannot_be_read_give_no_times(tmp_path: Path) -> None:
    assert seconds_before(tmp_path / "none") == {}
    (tmp_path / "20310304-050607-x-01").mkdir()
    (tmp_path / "20310304-050607-x-01" / "journal.jsonl").write_text("what")
    assert seconds_before(tmp_path) == {}
