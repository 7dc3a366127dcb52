"""A writer killed at any point leaves a record that is read, never claims to be whole, and says what was cut off."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from legtest.records.reading import read_run, unsealed_runs, verify
from legtest.reports.rows import sheet
from legtest.reports.write import write_reports

KILLS = 60
SEED = 20


@pytest.mark.slow
def test_sixty_kills(tmp_path: Path) -> None:
    script = Path(__file__).with_name("killed_writer.py")
    done = subprocess.run(
        [sys.executable, "-W", "ignore", str(script), str(tmp_path), str(SEED), str(KILLS)],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (points, whole), *killed = (line.split(" ", 1) for line in done.stdout.splitlines())
    assert len(killed) == KILLS
    assert int(points) >= KILLS  # so that the draw means something
    (run,) = Path(whole).iterdir()
    assert verify(run) == []
    lines = {str(path.relative_to(run)): path.read_bytes() for path in run.rglob("*") if path.is_file()}
    seen = [look(Path(folder), lines) for _, folder in killed]
    # The draw reaches every stage of a run's life.
    assert {"nothing", "unsealed", "sealed"} == set(seen)
    assert seen.count("unsealed") > KILLS / 2


def look(folder: Path, whole: dict[str, bytes]) -> str:
    """Read what one killed writer left: "nothing" (no run had begun), "unsealed" or "sealed"."""
    runs = [path for path in folder.iterdir() if not path.name.startswith(".")] if folder.exists() else []
    if not runs:
        return "nothing"
    (run,) = runs
    record = read_run(run)
    problems = verify(run)
    if json.loads((run / "run.json").read_text())["sealed"] is not None:  # killed while it wrote its reports
        assert problems == []
        assert unsealed_runs(folder) == []
        return "sealed"
    assert any("not sealed" in problem for problem in problems)
    assert unsealed_runs(folder) == [run]
    assert not record.complete
    assert sheet(record).word == "interrupted"
    for part in record.parts:
        read_part(run, part.name, problems, whole)
    write_reports(record)
    return "unsealed"


def read_part(run: Path, name: str, problems: list[str], whole: dict[str, bytes]) -> None:
    """What is there is the beginning of what would have been there, and half a line is told and left out."""
    part = next(part for part in read_run(run).parts if part.name == name)
    for file in ("journal.jsonl", "frames.log"):
        path = part.folder / file
        there = path.read_bytes() if path.exists() else b""
        assert whole[f"parts/{name}/{file}"].startswith(there)
        torn = there != b"" and not there.endswith(b"\n")
        assert torn == any(f"parts/{name}/{file}: the last line was cut off" in problem for problem in problems)
    frames = part.frame_log
    assert not frames.frames or len(part.frames(0, frames.frames)) == frames.frames
    for record in part.segments:  # what the journal speaks of is there
        assert all(span.last <= frames.frames for span in record.segment.spans)
        assert all(len(part.samples(file)) for file in record.samples)
    assert part.ended or any(f"parts/{name}/journal.jsonl: no part_end" in problem for problem in problems)


def test_a_whole_run_would_not_pass_as_a_killed_one(tmp_path: Path) -> None:
    """So that the checks above can fail."""
    from killed_writer import make_run

    run = make_run(tmp_path)
    data = json.loads((run / "run.json").read_text()) | {"sealed": None}
    (run / "run.json").write_text(json.dumps(data))
    (run / "journal.jsonl").unlink()  # it says that every test passed
    whole = {str(path.relative_to(run)): path.read_bytes() for path in run.rglob("*") if path.is_file()}
    log = next(run.glob("parts/*/frames.log"))
    assert look(tmp_path, whole) == "unsealed"
    log.write_bytes(log.read_bytes()[:-3] + b"x")
    with pytest.raises(AssertionError):
        look(tmp_path, whole)
