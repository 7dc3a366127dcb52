"""The short form of kill_runs.py, and that its check can fail."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("kill_runs.py")


@pytest.mark.slow
def test_a_few_kills_lose_nothing() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", str(SCRIPT), "--kills", "8", "--seed", "3"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "8 kills, nothing lost" in done.stdout
    assert "8 ended before" not in done.stdout


def test_what_is_lost_is_noticed(tmp_path: Path) -> None:
    import kill_runs
    from make_run import make_run

    run = make_run(tmp_path, cycles=20)
    part = next((run / "parts").iterdir())
    assert kill_runs.check(tmp_path, [["event", str(part / "journal.jsonl"), 3, "segment"]]) == "sealed"
    for said in (
        ["event", str(part / "journal.jsonl"), 99, "note"],
        ["event", str(part / "journal.jsonl"), 3, "note"],
        ["rows", str(part), 21],
        ["frames", str(part), 10_000],
    ):
        with pytest.raises(AssertionError):
            kill_runs.check(tmp_path, [said])
    with pytest.raises(AssertionError, match="has left nothing"):
        kill_runs.check(tmp_path / "none", [["event", "x", 0, "note"]])
