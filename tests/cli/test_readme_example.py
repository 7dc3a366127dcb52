"""The test that README.md shows, run as it stands."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_the_readmes_example_is_judged(tmp_path: Path) -> None:
    (example,) = (ROOT / "README.md").read_text(encoding="utf-8").split("```python\n")[1:]
    (tmp_path / "test_example.py").write_text(example.split("```")[0], encoding="utf-8")
    leg = ROOT / "fixtures/legs/tarn-hopper.yaml"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "test_example.py", f"--leg={leg}"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    for joint in ("hip", "knee"):
        assert f"{joint} homing repeatability" in done.stdout
    assert "2 passed" in done.stdout
