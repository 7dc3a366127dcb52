"""For every test of legtest itself."""

from pathlib import Path

import pytest

pytest_plugins = ["pytester"]  # inner runs of pytest, for tests/plugin

# Folders and files whose tests judge times of the wall clock: they run alone, not beside others.
REAL_TIME = (
    "fuzz",
    "hostile/test_kills.py",
    "hostile/test_signals_ends.py",
    "hostile/test_users_processes.py",
    "hostile/test_users_ways_out.py",
    "keeper",
    "live/test_rehearsal.py",
    "live/test_scan_live.py",
    "live/test_unpowered_look.py",
    "records/test_kill_runs.py",
    "records/test_killed_writer.py",
    "reports/test_big_report.py",
    "reports/test_browser_time.py",
    "simulation/test_can_interface.py",
    "simulation/test_independent_client.py",
    "simulation/test_serial_adapter.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    real = tuple(here / name for name in REAL_TIME)
    for item in items:
        if any(item.path.is_relative_to(path) for path in real):
            item.add_marker(pytest.mark.realtime)
