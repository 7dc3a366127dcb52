"""The one option of the hostile suite: where its measured times go."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.plugin.conftest import project  # inner runs of pytest, for what users, plugins and signals do

__all__ = ["project"]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--hostile-table", metavar="FILE", default=None,
        help="append one JSON line for each timed stop: attempt, rate_hz, seed, expected, and the times in ns",
    )  # fmt: skip


@pytest.fixture(scope="session")
def hostile_table(request: pytest.FixtureRequest) -> Iterator[Callable[..., None]]:
    """Call it with the keys of a line; without the option nothing is written.

    Keys: attempt, rate_hz, seed, expected, quick_stop_ns, power_off_ns (spans since the violation, None where there is
    none), quick_stop_budget_ns, power_off_budget_ns.
    """
    path = request.config.getoption("--hostile-table", default=None)
    if path is None:
        yield lambda **row: None
        return
    with open(path, "a", encoding="utf-8") as file:  # noqa: PTH123

        def keep(**row: Any) -> None:
            file.write(json.dumps(row) + "\n")
            file.flush()

        yield keep


@pytest.fixture(autouse=True)
def signals_are_heard() -> Iterator[None]:
    """Started by nohup, this process and its children would ignore a hang-up; in a shell's background, Ctrl-C."""
    hang_up = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    ctrl_c = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGHUP, hang_up)
    signal.signal(signal.SIGINT, ctrl_c)
