"""Histories for tests: a file, and a database of a PostgreSQL server that the tests start."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.history.postgres import programs, server

_NUMBERS = itertools.count()


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """The URL of a server. Where none is installed: skipped, and a failure on a build machine."""
    where = programs()
    if where is None and os.environ.get("CI", "") in ("", "0", "false"):
        pytest.skip("no PostgreSQL server is installed here (Debian: apt-get install postgresql)")
    assert where is not None, "no PostgreSQL server is installed on this build machine (.ci/run installs postgresql)"
    with server(where) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty history may be made, once a file and once in PostgreSQL."""
    if request.param == "sqlite":
        return str(tmp_path / "history.sqlite")
    import psycopg

    url: str = request.getfixturevalue("postgres")
    name = f"history_{os.getpid()}_{next(_NUMBERS)}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return url.replace("/postgres?", f"/{name}?")
