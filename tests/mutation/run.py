"""mutmut's mutants of `legtest/safety`, each tried in a forked copy of one warm test process: minutes instead of hours.

    python tests/mutation/run.py make               mutants/: a copy of the project that holds every mutant
    python tests/mutation/run.py map                which tests reach which function
    python tests/mutation/run.py try gate permit    the mutants of these files (none named: of all)
    python tests/mutation/run.py again gate         survivors once more, slowly and thoroughly
    python tests/mutation/run.py show gate          scores, and what survived

`try` runs the tests that reach the mutated function, quickest first, until one fails or SECONDS of processor time are
spent. What was built when the test modules were imported is not mutated there, so `again` imports them under the
mutant: the files of UNIT, with --all every file. Results are kept in mutants/results.jsonl and not made twice.
"""

from __future__ import annotations

import functools
import importlib
import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

SECONDS = 4.0
WALL = 300  # of processor time, in seconds: what takes longer never ends
HERE = Path(__file__).resolve().parents[2]
PLACE = HERE / "mutants"
# Its tests rewrite functions of their own, and fail whenever one of ours is exchanged.
REWRITES = "tests/safety/test_selftest.py::test_the_rules_of_the_monitor_are_known"
PYTEST = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:random_order", "-m", "not slow",
          "-W", "ignore::pytest.PytestAssertRewriteWarning", "--deselect", REWRITES]  # fmt: skip
UNIT = {
    "gate": "gate_words gate loop_defences", "permit": "permit permit_life", "player": "player loop",
    "monitor": "stop_edges monitor monitor_motion loop_defences excuses", "sdo": "sdo_client",
    "limits": "monitor monitor_motion excuses rules", "reading": "monitor monitor_motion excuses rules",
    "rules": "rules monitor monitor_motion setup_figures", "service": "sdo_client precheck", "setup": "setup_figures",
    "selftest": "selftest",
}  # fmt: skip
OTHERWISE = "loop loop_breaks loop_defences loop_exceptions precheck precheck_figures short_form"
Function = Any
FOUND: dict[str, tuple[Function, dict[str, Function]]] = {}  # by mangled name: the function, its mutants
DECORATED: list[tuple[Function, dict[str, Function]]] = []  # the same, while mutmut still fills in the mutants
HITS: set[str] = set()


def mangled(function: Function, mutants: dict[str, Function]) -> str:
    return f"{function.__module__}.{mutants['_mutmut_orig'].__name__.removesuffix('__mutmut_orig')}"


def collect(count: bool) -> None:
    """Take over mutmut's decorator: remember function and mutants, and with `count` note who is called."""
    from mutmut.mutation import trampoline

    def wrap(mutants: dict[str, Function], is_classmethod: bool = False) -> Callable[[Function], Function]:
        def decorate(function: Function) -> Function:
            DECORATED.append((function, mutants))
            if not count:
                return function

            @functools.wraps(function)
            def counted(*args: Any, **kwargs: Any) -> Any:
                HITS.add(mangled(function, mutants))
                return function(*args, **kwargs)

            return counted

        return decorate

    trampoline.wrap_in_trampoline = wrap
    os.chdir(PLACE)
    sys.path.insert(0, str(PLACE))
    for folder in ("safety", "simulation", "campaign"):
        for path in sorted(Path("legtest", folder).glob("[a-z]*.py")):
            importlib.import_module(".".join(path.with_suffix("").parts))
    FOUND.update((mangled(*pair), pair) for pair in DECORATED)


# ---------------------------------------------------------------------- results
def results() -> dict[str, dict[str, Any]]:
    path = PLACE / "results.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return {row["mutant"]: row for row in map(json.loads, lines)}


def keep(row: dict[str, Any]) -> None:
    with (PLACE / "results.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(row) + "\n")


def file_of(mutant: str) -> str:
    return mutant.split(".")[2]


def forked(mutant: str, tests: Callable[[], str]) -> tuple[str, str]:
    """Exchange the function's code in a copy of this process and run the tests there; tests() = who failed."""
    base = mutant.rpartition("__mutmut_")[0]
    function, mutants = FOUND[base]
    changed = mutants[mutant.rpartition(".")[2]]
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 3
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (WALL, WALL + 5))
            signal.alarm(2 * WALL)
            silence = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silence, 1)
            os.dup2(silence, 2)
            function.__code__ = changed.__code__
            function.__defaults__, function.__kwdefaults__ = changed.__defaults__, changed.__kwdefaults__
            failed = tests()
            os.write(writing, failed.encode())
            code = 1 if failed and failed != "time" else 0
        finally:
            os._exit(code)
    os.close(writing)
    _, status = os.waitpid(child, 0)
    with os.fdopen(reading) as pipe:
        who = pipe.read()
    if os.WIFSIGNALED(status):
        return "killed", "without end"
    return {0: "survived", 1: "killed"}.get(os.waitstatus_to_exitcode(status), "not tried"), who


def wanted(files: list[str]) -> Iterator[str]:
    for _, (function, mutants) in sorted(FOUND.items()):
        for name in mutants:
            mutant = f"{function.__module__}.{name}"
            if name != "_mutmut_orig" and (not files or file_of(mutant) in files):
                yield mutant


# ---------------------------------------------------------------------- commands
def make() -> None:
    from mutmut import __main__ as mutmut
    from mutmut.mutation.trampoline import set_mutant_under_test

    os.chdir(HERE)
    set_mutant_under_test("mutant_generation")
    PLACE.mkdir(exist_ok=True)
    mutmut.copy_src_dir()
    mutmut.copy_also_copy_files()
    mutmut.setup_source_paths()
    mutmut.store_lines_covered_by_tests()
    print(mutmut.create_mutants(2))


class Mapping:
    """A pytest plugin: which functions each test reaches, and how long it takes."""

    def __init__(self) -> None:
        self.rows: dict[str, Any] = {}

    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> bool:
        from _pytest.runner import runtestprotocol

        HITS.clear()
        start = time.process_time()
        runtestprotocol(item, nextitem=nextitem, log=False)
        self.rows[item.nodeid] = {"seconds": time.process_time() - start, "reaches": sorted(HITS)}
        return True


def map_tests() -> None:
    import pytest

    collect(count=True)
    mapping = Mapping()
    pytest.main([*PYTEST, "tests/safety"], plugins=[mapping])
    (PLACE / "map.json").write_text(json.dumps(mapping.rows), encoding="utf-8")


class Trying:
    """A pytest plugin: instead of the tests, every wanted mutant with the tests that reach it."""

    def __init__(self, files: list[str]) -> None:
        self.files = files
        self.rows = json.loads((PLACE / "map.json").read_text(encoding="utf-8"))

    def pytest_runtestloop(self, session: Any) -> bool:
        items = {item.nodeid: item for item in session.items}
        for unfit in failing(items):  # with nothing exchanged
            del items[unfit]
        known = results()
        for mutant in wanted(self.files):
            if mutant in known:
                continue
            base = mutant.rpartition("__mutmut_")[0]
            reaching = [t for t, row in self.rows.items() if t in items and base in row["reaches"]]
            tests = {t: items[t] for t in sorted(reaching, key=lambda t: self.rows[t]["seconds"])}
            word, who = forked(mutant, functools.partial(first_failure, tests))
            keep({"mutant": mutant, "word": word, "by": who})
        return True


def first_failure(tests: dict[str, Any]) -> str:
    from _pytest.runner import runtestprotocol

    start = time.process_time()
    for name, item in tests.items():
        if time.process_time() - start > SECONDS:
            return "time"
        if any(report.failed for report in runtestprotocol(item, nextitem=None, log=False)):
            return name
    return ""


def failing(tests: dict[str, Any]) -> list[str]:
    """Who fails in a copy of this process in which nothing is exchanged: no judge of mutants."""
    from _pytest.runner import runtestprotocol

    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        failed = [n for n, i in tests.items() if any(r.failed for r in runtestprotocol(i, nextitem=None, log=False))]
        os.write(writing, "\n".join(failed).encode())
        os._exit(0)
    os.close(writing)
    os.waitpid(child, 0)
    with os.fdopen(reading) as pipe:
        return pipe.read().split()


def try_them(files: list[str]) -> None:
    import pytest

    collect(count=False)
    pytest.main([*PYTEST, "-s", "tests/safety"], plugins=[Trying(files)])


def again(files: list[str], everything: bool) -> None:
    import pytest

    collect(count=False)
    for mutant, row in results().items():
        if row["word"] == "killed" or (files and file_of(mutant) not in files):
            continue
        unit = UNIT.get(file_of(mutant), OTHERWISE).split()
        tests = ["tests/safety"] if everything else [f"tests/safety/test_{name}.py" for name in unit]

        def run(tests: list[str] = tests) -> str:
            return "" if pytest.main([*PYTEST, "-x", *tests]) == 0 else "a test"

        word, who = forked(mutant, run)
        keep({"mutant": mutant, "word": word, "by": who})


def show(files: list[str]) -> None:
    words: dict[str, Counter[str]] = defaultdict(Counter)
    for mutant, row in results().items():
        words[file_of(mutant)][row["word"]] += 1
        if row["word"] != "killed" and (not files or file_of(mutant) in files):
            shown = subprocess.run(["mutmut", "show", mutant], cwd=HERE, capture_output=True, text=True, check=False)
            print(f"{row['word']} {mutant}\n{shown.stdout}" if shown.returncode == 0 else mutant)
    for name, counted in sorted(words.items()):
        share = 100 * counted["killed"] / counted.total()
        print(f"{name:12s} {dict(counted)} {share:.1f} %")


if __name__ == "__main__":
    command, *rest = sys.argv[1:] or ["help"]
    if command == "make":
        make()
    elif command == "map":
        map_tests()
    elif command == "try":
        try_them(rest)
    elif command == "again":
        again([name for name in rest if name != "--all"], "--all" in rest)
    elif command == "show":
        show(rest)
    else:
        print(__doc__)
