"""A finished run to be spoilt."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from make_run import make_run


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("runs"), cycles=30)


@pytest.fixture
def run(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "runs" / finished.name))
