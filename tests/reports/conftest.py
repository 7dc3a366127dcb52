"""The report of a made-up run, open in a browser."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from legtest.records.reading import Run, read_run
from legtest.reports.write import write_reports
from tests.reports.browser import CHROMIUM, Browser, browser
from tests.reports.rich_run import rich_run


@pytest.fixture(scope="session")
def chromium() -> None:
    """On a build machine a missing browser is a failure, not a reason to look away."""
    if CHROMIUM is None and os.environ.get("CI", "") in ("", "0", "false"):
        pytest.skip("no Chromium: apt-get install chromium")
    assert CHROMIUM is not None, "CI is set and there is no Chromium: apt-get install chromium"


@pytest.fixture(scope="module")
def rich(tmp_path_factory: pytest.TempPathFactory) -> Run:
    run = read_run(rich_run(tmp_path_factory.mktemp("runs")))
    write_reports(run)
    return run


@pytest.fixture(scope="module")
def page(chromium: None, rich: Run, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        opened.width(1280)
        opened.open(rich.folder / "report.html")
        yield opened
