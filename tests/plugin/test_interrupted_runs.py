"""Whatever ends a run, its record can be read, and `legtest verify` says that it is not whole."""

from __future__ import annotations

import subprocess
import sys

import pytest

from legtest.records.reading import read_run, verify
from legtest.reports.rows import sheet
from legtest.reports.write import write_reports
from tests.plugin.conftest import Inner, Project
from tests.plugin.test_stopping import states

SOURCE = """
def test_first(bench, judge):
    judge(sag(1), at_most="2 mm")

def test_second(bench, judge):
    judge(sag(3), at_most="2 mm")
    homing.ensure(bench)
    with bench.energised():
        bench.wait(0.1)
        {end}
"""


def says_incomplete(done: Inner) -> list[str]:
    command = [sys.executable, "-c", "from legtest.cli.main import main; main()", "verify", str(done.folders[-1])]
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    assert said.returncode == 1
    assert "Traceback" not in said.stderr
    return said.stderr.splitlines()


@pytest.mark.parametrize(
    ("end", "code"),
    [("import os; os._exit(3)", 3), ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", -9)],
    ids=["os._exit", "SIGKILL"],
)
def test_a_killed_run(end: str, code: int, project: Project) -> None:
    done = project.run(SOURCE.format(end=end), apart=True)
    assert done.ret == code
    words = [j.verdict.word.value for part in done.run.parts for j in part.judgements]
    assert words == ["pass", "fail"]
    second = done.run.parts[1]
    assert len(second.segments) == 1  # the homing that had ended; its samples are there
    assert len(second.samples(second.segments[0].samples[0]).t_ns) > 1000
    said = says_incomplete(done)
    assert any("run.json: not sealed" in line for line in said)
    assert any(second.name in line and "no part_end" in line for line in said)
    written = write_reports(read_run(done.folders[-1]))
    assert "interrupted" in written["summary.md"].read_text(encoding="utf-8")


def test_what_never_began_is_missed_by_its_name(project: Project) -> None:
    third = "\n\ndef test_third(bench, judge):\n    judge(sag(1), at_most='2 mm')\n"
    done = project.run(SOURCE.format(end="raise KeyboardInterrupt") + third, apart=True)
    assert done.ret == pytest.ExitCode.INTERRUPTED
    cases = {case.test.rpartition("::")[2].partition("[")[0]: case for case in sheet(done.run).cases}
    assert (cases["test_third"].word, cases["test_third"].reason) == ("interrupted", "never begun")
    assert cases["test_first"].word == "pass"


def test_ctrl_c(project: Project) -> None:
    done = project.run(SOURCE.format(end="raise KeyboardInterrupt"), apart=True)
    assert done.ret == pytest.ExitCode.INTERRUPTED
    assert done.run.tests[0].word == "pass"
    assert [part.ended for part in done.run.parts] == [True, True]
    for wiremap in done.run.parts[1].wiremaps:
        assert states(done.run.parts[1], wiremap)[-1][1] == "off"
    (said,) = says_incomplete(done)
    assert said == "run.json: not sealed: the run was interrupted or is still running, and counts as failed"
    assert "interrupted" in done.out


FULL = """
import resource

def test_full(bench, judge):
    resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, resource.RLIM_INFINITY))
    try:
        judge(*homing.run(bench, bench.leg.joints[0], cycles=3))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

def test_after(bench, judge):
    judge(sag(1), at_most="2 mm")
"""


@pytest.mark.parametrize("size", [60_000, 200_000])
def test_a_full_disk(size: int, project: Project) -> None:
    """The part is cut short, the leg is stopped in order, the tests after it run."""
    done = project.run(FULL.format(size=size), apart=True)
    assert "bench error: " in done.out
    assert "frames.log: the run record cannot be written: File too large; free space there" in done.out
    assert "Traceback" not in done.out
    assert "INTERNALERROR" not in done.out
    assert done.ret == 11, done.out
    assert {end.test.partition("::")[2]: end.word for end in done.run.tests} == {
        "test_full[tarn-hopper]": "bench error",
        "test_after[tarn-hopper]": "pass",
    }
    (full,) = (part for part in done.run.parts if "test_full" in part.test)
    assert (full.folder / "frames.log").stat().st_size <= size
    assert any("no part_end" in line for line in says_incomplete(done))
    assert (done.folders[-1] / "report.html").exists()


def test_a_disk_full_from_the_start(project: Project) -> None:
    project.pytester.makeconftest(
        "import resource\n\ndef pytest_configure():\n"
        "    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.RLIM_INFINITY))\n"
    )
    done = project.run(SOURCE.format(end="pass"), apart=True)
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert "run.json: the run record cannot be written: File too large" in done.out
    assert "Traceback" not in done.out


def test_a_record_that_goes_away_before_the_end(project: Project) -> None:
    """What could not be written is said, and is no pass."""
    project.pytester.makeconftest(
        "import pathlib, pytest\n\n@pytest.hookimpl(tryfirst=True)\ndef pytest_sessionfinish():\n"
        "    (run,) = pathlib.Path('runs').iterdir()\n    run.rename('runs/moved')\n"
    )
    done = project.run('def test_it(bench, judge):\n    judge(sag(1), at_most="2 mm")\n')
    assert "bench error: " in done.out
    assert "cannot be read: No such file" in done.out
    assert "INTERNALERROR" not in done.out
    assert "Traceback" not in done.out
    assert done.ret == 11
    assert not done.run.complete


def test_a_whole_run_is_whole(project: Project) -> None:
    """So that the checks above can fail."""
    done = project.run(SOURCE.format(end="pass"))
    assert verify(done.folders[-1]) == []
    assert done.ret == 1
