from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a description beside an EDS file; returns its path."""
    (tmp_path / "axis.eds").write_text("; present\n")

    def write(text: str | bytes, name: str = "leg.yaml") -> Path:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write
