"""Where things lie in the made-up run."""

from __future__ import annotations

from pathlib import Path


def place(run: Path, what: str) -> Path:
    part = min((run / "parts").iterdir())
    if what == "sample":
        return min((part / "samples").iterdir())
    return part / what.removeprefix("part/") if what.startswith("part/") else part if what == "part" else run / what
