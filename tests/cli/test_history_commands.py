"""The commands about more than one run: compare, baseline, history, import."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from legtest.cli.main import main
from legtest.cli.progress import Progress, duration
from legtest.history.sql import open_history
from legtest.history.store import add, default_place
from tests.history.make_snapshot import nightly
from tests.records.make_run import make_run

SIGNED = ("--by", "M. Osei", "--reason", "new belts")


def legtest(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(each) for each in arguments])


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("runs"), cycles=60)


@pytest.fixture
def here(finished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A directory with one run, which is the current one."""
    shutil.copytree(finished, tmp_path / "runs" / finished.name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_run_is_accepted_listed_shown_and_compared_with(here: Path, finished: Path) -> None:
    run = f"runs/{finished.name}"
    done = legtest("baseline", "accept", run, "--name", "first", *SIGNED)
    assert done.exit_code == 0
    assert done.stdout == f"baselines/first/001.json: 7 values of {finished.name}, SIMULATED\n"
    assert "note: knee backlash was fail\n" in done.stderr
    again = legtest("baseline", "accept", run, "--name", "first", *SIGNED)
    assert (again.exit_code, "--supersede" in again.stderr) == (2, True)
    assert legtest("baseline", "accept", run, "--name", "first", *SIGNED, "--supersede").exit_code == 0
    listed = legtest("baseline", "list")
    assert listed.stderr == ""
    none = legtest("baseline", "list", "--baselines", "elsewhere")
    assert (none.exit_code, none.stdout, "elsewhere: no baseline" in none.stderr) == (0, "", True)
    assert listed.stdout.startswith(f"first  {finished.name}  20")
    assert listed.stdout.endswith("M. Osei: new belts (1 before it)\n")
    shown = legtest("baseline", "show", "first").stdout
    assert "tarn-fl knee drive: serial 4103, firmware not stated, answers after 360 us" in shown
    assert "knee backlash 0.62 deg, u 0.023 deg; margin 0.0833 deg, a third of the tolerance half-width" in shown
    done = legtest("compare", run, "first")
    assert done.exit_code == 1
    assert "(baseline first, accepted 20" in done.stdout
    assert "hip holding torque ratio: moved by 0, U 0.0491 (90%), margin 0.0333: undecided" in done.stdout
    assert done.stdout.endswith("undecided: 1 undecided, 1 refused, 4 equivalent, 1 not compared\n")
    assert "\nboth are the same record: nothing can have moved\n" in done.stdout


def test_compare_as_data_and_what_it_refuses(here: Path, finished: Path) -> None:
    run = f"runs/{finished.name}"
    data = json.loads(legtest("compare", run, run, "--json").stdout)
    assert (data["outcome"], data["refused"], len(data["quantities"])) == ("undecided", "", 7)
    assert {row["outcome"] for row in data["quantities"]} == {"equivalent", "undecided", "refused"}
    assert (legtest("compare", run, "nobody").exit_code, legtest("compare", "runs", "nobody").exit_code) == (2, 1)
    open_run = make_run(here / "runs", seal=False, cycles=40)
    done = legtest("compare", open_run, run)
    assert (done.exit_code, "not compared: not sealed" in done.stderr) == (1, True)


def test_import_and_history(here: Path, finished: Path) -> None:
    done = legtest("history", "tarn-fl")
    assert done.exit_code == 2
    assert "there is no history; `legtest import RUNS` makes one" in done.stderr
    done = legtest("import", "runs")
    assert (done.exit_code, done.stdout) == (0, "runs/history.sqlite: 1 run added, 0 there already\n")
    make_run(here / "runs", seal=False, cycles=40)
    done = legtest("import", "runs")
    assert (done.exit_code, done.stdout) == (1, "runs/history.sqlite: 0 runs added, 1 there already\n")
    assert "not imported: not sealed" in done.stderr
    done = legtest("history", "tarn-fl")
    assert done.exit_code == 0
    assert done.stdout.startswith("tarn-fl: SIMULATED, 1 run, 2031-03-04 to 2031-03-04\nEWMA, limits set for 6")
    assert "too few runs" in done.stdout
    assert "no quantity has 'zzz' in its name" in legtest("history", "tarn-fl", "-q", "zzz").stdout
    assert "\nhip holding torque ratio\n" in legtest("history", "tarn-fl", "-q", "holding torque").stdout  # unit 1
    done = legtest("history", "nobody")
    assert (done.exit_code, "no run of a leg 'nobody'; legs there: tarn-fl" in done.stderr) == (2, True)


def test_a_drift_is_plotted_and_put_on_a_page(here: Path) -> None:
    with closing(open_history(default_place(Path("runs")))) as database:
        for run in nightly(30, shift=0.05, since=20):
            add(database, run)
    for chart in ("EWMA", "cusum"):
        done = legtest("history", "tarn-fl", "--chart", chart, "--html", f"{chart}.html")
        assert done.exit_code == 0, done.output
        assert f"{chart.upper()} up: " in done.stdout
        assert "knee Coulomb friction, N*m: " in done.stdout
        assert f"page: {chart}.html" in done.stdout
        assert "</html>" in Path(f"{chart}.html").read_text()
    done = legtest("history", "tarn-fl", "-q", "friction (3)", "--last", "12")
    assert "knee Coulomb friction (3), N*m\n" in done.stdout
    assert "12 runs, 2031-03-22 to 2031-04-02" in done.stdout
    done = legtest("history", "tarn-fl", "--html", here / "none" / "x.html")
    assert (done.exit_code, "cannot be written" in done.stderr) == (2, True)


# ------------------------------------------------------------------ progress
class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def _clock(step: float) -> Iterator[float]:
    now = 0.0
    while True:
        yield now
        now += step


def test_progress_in_a_log_is_plain_and_rare() -> None:
    log, clock = io.StringIO(), _clock(1.0)
    progress = Progress(100, "runs", log, lambda: next(clock))
    for _ in range(100):
        progress.step()
    progress.end()
    lines = log.getvalue().splitlines()
    assert lines[0] == "10 of 100 runs, about 90 s left".replace("90 s", "2 min")
    assert lines[-1] == "100 of 100 runs"
    assert len(lines) == 10
    assert log.getvalue().isprintable() or "\x1b" not in log.getvalue()


def test_short_work_says_nothing_in_a_log_and_a_terminal_has_one_line() -> None:
    log, clock = io.StringIO(), _clock(0.01)
    progress = Progress(5, "runs", log, lambda: next(clock))
    for _ in range(5):
        progress.step()
    progress.end()
    assert log.getvalue() == ""
    terminal, clock = _Terminal(), _clock(0.5)
    progress = Progress(3, "runs", terminal, lambda: next(clock))
    for _ in range(3):
        progress.step()
    progress.end()
    assert terminal.getvalue() == (
        "\r\x1b[K1 of 3 runs, about 1 s left\r\x1b[K2 of 3 runs, about 1 s left\r\x1b[K3 of 3 runs\n"
    )


@pytest.mark.parametrize(("seconds", "text"), [(0.2, "1 s"), (89, "89 s"), (240, "4 min"), (6000, "1.7 h")])
def test_a_time_left_is_as_coarse_as_the_guess(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_a_record_with_a_changed_byte_is_neither_compared_nor_imported(here: Path, finished: Path) -> None:
    run, other = here / "runs" / finished.name, make_run(here / "runs", cycles=40)
    log = next(run.glob("parts/*/frames.log"))
    log.write_bytes(log.read_bytes().replace(b"can", b"cam", 1))
    for arguments, says in (
        (("compare", run, other), "not compared"), (("compare", other, run), "not compared with"),
        (("import", run), "not imported"),
    ):  # fmt: skip
        done = legtest(*arguments)
        assert done.exit_code == 1
        assert f"{says}: " in done.stderr
        assert "changed" in done.stderr
