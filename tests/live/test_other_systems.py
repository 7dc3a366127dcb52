"""Without terminals and Unix sockets all but the live bench works, and that one says so before it opens anything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from rehearsing import HOPPER, bench_file
from test_refusals import signoff_for

pytestmark = pytest.mark.slow
HIDDEN = ("fcntl", "termios", "pty", "tty", "pwd", "grp", "resource")
PRELUDE = f"""
import socket, sys
for name in {HIDDEN!r}:
    sys.modules[name] = None
for name in ("AF_UNIX", "socketpair"):
    delattr(socket, name)
"""
TEST = """
from legtest import range_of_motion
def test_range(bench, joint, judge):
    for measurement in range_of_motion.run(bench, joint):
        judge(measurement)
"""


def run(code: str, folder: Path) -> tuple[int, str]:
    command = [sys.executable, "-c", f"{PRELUDE}\n{code}"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=folder, check=False, timeout=120)
    assert "Traceback" not in done.stdout + done.stderr, done.stdout + done.stderr
    return done.returncode, done.stdout + done.stderr


def legtest(folder: Path, *words: str) -> tuple[int, str]:
    return run(f"from legtest.cli.main import main; sys.argv[1:] = {list(words)!r}; main()", folder)


def pytest_main(folder: Path, *words: str) -> tuple[int, str]:
    fixed = ["-p", "no:cacheprovider", "-c", "/dev/null", "--rootdir", str(folder), f"--leg={HOPPER}"]
    return run(f"import pytest; sys.exit(pytest.main({[*fixed, *words]!r}))", folder)


def test_everything_but_the_live_bench_works(tmp_path: Path) -> None:
    (tmp_path / "test_range.py").write_text(TEST)
    code, said = legtest(tmp_path, "check", str(HOPPER))
    assert code == 0, said
    code, said = pytest_main(tmp_path, "--leg-runs=runs", "test_range.py", "-k", "knee")
    assert code == 0, said
    (folder,) = (tmp_path / "runs").glob("*/")
    assert (folder / "report.html").exists()
    for words in (("verify", str(folder)), ("replay", str(folder)), ("report", str(folder))):
        code, said = legtest(tmp_path, *words)
        assert code == 0, said


def test_live_and_rehearsal_are_refused_with_the_way_out(tmp_path: Path) -> None:
    bench = bench_file(tmp_path / "bench.yaml", str(tmp_path / "adapter"))
    code, said = legtest(tmp_path, "rehearse", "--leg", str(HOPPER), "--bench", str(bench))
    assert code == 2
    assert "a rehearsal needs Linux" in said
    assert "a small Linux computer at the bench" in said
    (tmp_path / "test_range.py").write_text(TEST)
    signoff = signoff_for(bench, tmp_path / "signoff.json")
    code, said = pytest_main(tmp_path, "--live", f"--bench={bench}", f"--signoff={signoff}", "test_range.py")
    assert code != 0
    assert "a live bench needs Linux" in said
    assert "a small Linux computer at the bench" in said
    assert not (tmp_path / "adapter").exists()
