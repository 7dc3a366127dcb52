"""A movement may last for hours: what it holds in memory does not grow, and a disk that is full ends it."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from make_run import STARTED

from legtest.records.reading import read_run, verify
from legtest.session import OpenBench, Setting, open_simulated

ROOT = Path(__file__).resolve().parents[2]
LEG = str(ROOT / "fixtures/legs/tarn-hopper.yaml")


def opened_in(runs: Path) -> OpenBench:
    setting = Setting([LEG], None, 1, [], False)
    run = setting.create_run(runs, STARTED, ())
    run.close()
    return open_simulated(setting, setting.legs[0], run.folder, "t", lambda: "")


def growth(opened: OpenBench, *, keep_frames: bool) -> float:
    """Blocks of memory a control cycle leaves behind, from the fourth second to the twelfth of a movement."""
    bench = opened.bench
    with bench.recording("hold", None, "The leg is held still.") as recording, bench.energised():
        if keep_frames:
            recording.keep_frames()
        bench.wait(4.0)
        before = sys.getallocatedblocks()
        for _ in range(4):
            bench.wait(2.0)
        after = sys.getallocatedblocks()
    return (after - before) * bench.period_ns * 1e-9 / 8.0


@pytest.mark.slow
def test_a_cycle_leaves_nothing_behind(tmp_path: Path) -> None:
    opened = opened_in(tmp_path)
    assert growth(opened, keep_frames=False) < 0.5
    assert growth(opened, keep_frames=True) > 10  # what it would be with frames
    part = read_run(opened.log.part.folder.parents[1]).parts[0]
    assert [len(part.samples(record.samples[0])) > 2900 for record in part.segments] == [True, True]
    opened.close()


def test_what_is_being_recorded_can_be_read_already(tmp_path: Path) -> None:
    opened = opened_in(tmp_path)
    bench, folder = opened.bench, opened.log.part.folder
    with bench.recording("hold", None, "The leg is held still."), bench.energised():
        bench.wait(3.0)
        left = [problem for problem in verify(folder.parents[1]) if "samples" in problem]
        assert any("a stream that was never sealed" in problem for problem in left)
        assert any("rows of a movement that was not finished" in problem for problem in left)
    problems = verify(folder.parents[1])
    assert not any("rows of a movement" in problem for problem in problems)
    opened.close()
    assert not any("samples" in problem for problem in verify(folder.parents[1]))


FULL = """
    import resource, signal, sys
    sys.path[:0] = [{root!r}, {records!r}]
    from pathlib import Path
    from test_long_recording import opened_in
    from legtest.errors import RecordError
    opened = opened_in(Path({runs!r}))
    bench = opened.bench
    bench.precheck()
    resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, resource.RLIM_INFINITY))
    began = bench.now_ns()
    try:
        with bench.recording("hold", None, "The leg is held still."), bench.energised():
            bench.wait(600.0)
    except RecordError as error:
        print("error:", error)
    print("powered:", bench._port._port._loop.powered, "after:", (bench.now_ns() - began) * 1e-9)
    try:
        opened.close()
    except RecordError as error:
        print("at the end:", error)
"""


@pytest.mark.slow
def test_a_full_disk_stops_the_leg_and_the_record_is_read(tmp_path: Path) -> None:
    script = textwrap.dedent(FULL).format(
        root=str(ROOT), records=str(Path(__file__).parent), runs=str(tmp_path), size=1_500_000
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    error, powered, end = done.stdout.splitlines()
    assert error.startswith("error: ")
    assert "the run record cannot be written: File too large; free space there" in error
    assert powered.startswith("powered: False after:")
    assert float(powered.rpartition(" ")[2]) < 60.0  # of the ten minutes that it would have held
    assert end.startswith("at the end: ")
    (run,) = tmp_path.iterdir()
    (part,) = read_run(run).parts
    assert part.frame_log.frames > 10_000
    assert any("not sealed" in problem for problem in verify(run))
