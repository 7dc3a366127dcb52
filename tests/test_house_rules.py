"""Rules of the house that a linter does not hold: who asks for the time, and how long a file and a function may be."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest
from source_tree import ROOT, called_names, parse

TREES = parse(ROOT / "legtest")
TESTS = parse(ROOT / "tests")

# The modules that may ask the system for the time, and why; everybody else is handed an instant.
ASKS_FOR_TIME = {
    "legtest.canbus.live": "waits for a real adapter until a deadline of the monotonic clock",
    "legtest.simulation.can_interface": "serves the simulated bus to other programs in real time only",
    "legtest.keeper.system": "host and keeper wait for each other, with deadlines; the date of a latch",
    "legtest.plugin": "the date in the name of a run's folder",
    "legtest.cli": "the date in the name of a run's folder, and the clock of a rehearsal",
}
CLOCKS = {
    *(f"time.{name}" for name in ("time", "monotonic", "perf_counter", "process_time", "thread_time")),
    *(f"time.{name}_ns" for name in ("time", "monotonic", "perf_counter", "process_time", "thread_time")),
    *("time.sleep", "time.clock_gettime", "time.clock_gettime_ns", "time.localtime", "time.gmtime", "time.ctime"),
    *(f"datetime.datetime.{name}" for name in ("now", "utcnow", "today")),
    "datetime.date.today",
    "asyncio.sleep",
}

MOST_LINES = 400
MOST_BODY_LINES = 60
# dotted name of a module or function -> why it may be longer
LONGER: dict[str, str] = {}


def _is_inside(module: str, places: dict[str, str]) -> bool:
    return any(module == place or module.startswith(place + ".") for place in places)


def clocks_used(tree: ast.Module) -> list[str]:
    """Each use of a system clock, with its line."""
    return [f"{name} in line {line}" for name, line in called_names(tree) if name in CLOCKS]


@pytest.mark.parametrize("module", sorted(name for name in TREES if not _is_inside(name, ASKS_FOR_TIME)))
def test_time_is_passed_in(module: str) -> None:
    assert clocks_used(TREES[module]) == []


@pytest.mark.parametrize("module", sorted(TESTS))
def test_no_test_sleeps(module: str) -> None:
    assert [line for name, line in called_names(TESTS[module]) if name in ("time.sleep", "asyncio.sleep")] == []


@pytest.mark.parametrize(
    ("source", "uses"),
    [
        ("import time\ntime.sleep(1)", 1),
        ("import time as t\nt.monotonic_ns()", 1),
        ("from time import monotonic as now\nf(now)", 1),
        ("import datetime\ndatetime.datetime.now()", 1),
        ("from datetime import datetime\ndatetime.now()", 1),
        ("import time\nlink.time()\nbus.now()\nself.sleep(1)", 0),
    ],
)
def test_the_check_itself_finds_clocks(source: str, uses: int) -> None:
    assert len(clocks_used(ast.parse(source))) == uses


def _functions(name: str, node: ast.AST) -> Iterator[tuple[str, int]]:
    """Dotted name and number of lines of each function's body, its docstring left out."""
    for child in ast.iter_child_nodes(node):
        inner = f"{name}.{child.name}" if isinstance(child, ast.FunctionDef | ast.ClassDef) else name
        if isinstance(child, ast.FunctionDef):
            body = child.body[1:] if ast.get_docstring(child) is not None else child.body
            yield inner, body[-1].end_lineno - body[0].lineno + 1 if body else 0  # type: ignore[operator]
        yield from _functions(inner, child)


def too_long(trees: dict[str, ast.Module]) -> dict[str, int]:
    """Modules and functions above the caps, with their lines."""
    lines = {name: tree.body[-1].end_lineno or 0 for name, tree in trees.items() if tree.body}
    bodies = {name: count for module, tree in trees.items() for name, count in _functions(module, tree)}
    return {n: c for n, c in lines.items() if c > MOST_LINES} | {n: c for n, c in bodies.items() if c > MOST_BODY_LINES}


def test_files_and_functions_are_read_in_one_sitting() -> None:
    assert {name: count for name, count in too_long(TREES).items() if name not in LONGER} == {}


def test_every_exception_is_still_needed() -> None:
    assert LONGER.keys() <= too_long(TREES).keys()
    assert all(any(_is_inside(module, {place: ""}) for module in TREES) for place in ASKS_FOR_TIME)


def test_the_check_itself_finds_what_is_long() -> None:
    long = "def f():\n" + "    pass\n" * (MOST_BODY_LINES + 1)
    short = 'def f():\n    """' + "x\n" * 100 + '    """\n' + "    pass\n" * MOST_BODY_LINES
    assert too_long({"m": ast.parse(long)}) == {"m.f": MOST_BODY_LINES + 1}
    assert too_long({"m": ast.parse(short)}) == {}
    assert too_long({"m": ast.parse("x = 1\n" * (MOST_LINES + 1))}) == {"m": MOST_LINES + 1}
