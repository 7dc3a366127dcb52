"""Who may import whom: the table "Rooms" in DEVELOPERS.md is the rule, this file enforces it.

Checked by reading the source, so an import inside a function counts as well.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from graphlib import CycleError, TopologicalSorter
from typing import NamedTuple

import pytest
from source_tree import ROOT, Import, imports, parse

# Libraries that cost a tenth of a second or more, or that only one room needs.
HEAVY = {"can", "canopen", "jinja2", "junit_xml", "mujoco", "numpy", "pyarrow", "rich", "scipy", "sqlite3"}
# What every pytest run and every command imports before it knows what is wanted.
ENTRY_POINTS = ("legtest", "legtest.plugin", "legtest.cli.main")
ALL = "everything above (late)"
TEST_ONLY = {"hypothesis", "junitparser", "pint", "scipy", "xmlschema", "xdist"}


class Row(NamedTuple):
    """What one room may import. own: other rooms, and whether only late; third_party: top-level package names."""

    own: Mapping[str, bool]
    third_party: frozenset[str]


def read_table(text: str) -> dict[str, Row]:
    """The rows of the table that begins with `| room | may import | third party |`."""
    rows: dict[str, Row] = {}
    lines = iter(text.splitlines())
    for line in lines:
        if line.startswith("| room |"):
            break
    next(lines)
    for line in lines:
        if not line.startswith("|"):
            break
        rooms, own, third_party = ([item.strip(" `") for item in c.split(",")] for c in line.strip("|").split("|"))
        named = [item for item in own if item not in ("-", ALL)]
        reach = {_dotted(item.removesuffix(" (late)")): item.endswith(" (late)") for item in named}
        if ALL in own:
            reach = dict.fromkeys(rows, True) | reach
        for room in rooms:
            rows[_dotted(room)] = Row(reach, frozenset(third_party) - {"-"})
    return rows


def _dotted(room: str) -> str:
    return "legtest" if room == "legtest" else "legtest." + room.replace("/", ".")


def room_of(module: str, rows: Mapping[str, Row]) -> str | None:
    """The row a module belongs to: the longest that is the module or a package around it."""
    around = [room for room in rows if module == room or (module.startswith(room + ".") and room != "legtest")]
    return max(around, key=len, default=None)


def violations(module: str, found: Sequence[Import], rows: Mapping[str, Row]) -> Iterator[str]:
    """What a module imports and may not, in words."""
    room = room_of(module, rows)
    if room is None:
        yield f"{module} belongs to no row of the table"
        return
    row = rows[room]
    for target, line, late, typing in found:
        where = f"{module}:{line}: imports {target}"
        top = target.split(".")[0]
        if target == "legtest.__version__":
            continue
        if top != "legtest":
            if top not in sys.stdlib_module_names and top not in row.third_party:
                yield f"{where}, which {room} may not"
        elif room_of(target, rows) != room:
            allowed = [own for own in row.own if target == own or target.startswith(own + ".")]
            if not allowed or (room_of(target, rows) or "").startswith(max(allowed, key=len) + "."):
                yield f"{where}, which {room} may not"
            elif row.own[max(allowed, key=len)] and not (late or typing):
                yield f"{where} at the top; {room} imports it inside the function that needs it"


TREES = parse(ROOT / "legtest")
TABLE = read_table((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def _found(module: str) -> list[Import]:
    return imports(TREES[module], TREES)


@pytest.mark.parametrize("module", sorted(TREES))
def test_a_module_imports_only_what_its_row_says(module: str) -> None:
    assert list(violations(module, _found(module), TABLE)) == []


def test_the_table_is_read_whole() -> None:
    """A row that is lost would make its rule hold for nothing."""
    assert {"legtest", "legtest.canbus", "legtest.canbus.live", "legtest.safety", "legtest.simulation"} <= TABLE.keys()
    for room in ("legtest.canbus", "legtest.safety", "legtest.units", "legtest.errors"):
        assert TABLE[room].third_party == frozenset(), f"{room} is standard library only"
    wing_doors = {"legtest.wiring", "legtest.study", "legtest.campaign", "legtest.cli", "legtest.plugin"}
    asks = {room for room, row in TABLE.items() if "legtest.simulation" in row.own}
    assert asks - {"legtest.simulation.can_interface"} == wing_doors


def test_rooms_import_downwards_only() -> None:
    graph = {room: {room_of(own, TABLE) for own in row.own} - {room} for room, row in TABLE.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"rooms import each other: {' -> '.join(error.args[1])}")


def test_no_module_imports_itself_by_a_detour() -> None:
    graph = {
        module: {i.target for i in _found(module) if i.target in TREES and not i.typing and i.target != module}
        for module in TREES
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"circle: {' -> '.join(error.args[1])}")


def _loaded_by(module: str) -> dict[str, tuple[str, ...]]:
    """Everything that importing a module loads at once, with the way there; packages around a module included."""
    ways: dict[str, tuple[str, ...]] = {}
    queue = [(module, (module,))]
    while queue:
        name, way = queue.pop()
        if name in ways:
            continue
        ways[name] = way
        parents = [name.rpartition(".")[0]] if "." in name else []
        found = [i.target for i in _found(name) if not i.late and not i.typing] if name in TREES else []
        queue += [(target, (*way, target)) for target in (*parents, *found)]
    return ways


@pytest.mark.parametrize("entry", ENTRY_POINTS)
def test_entry_points_load_nothing_heavy(entry: str) -> None:
    if entry not in TREES:
        pytest.fail(f"{entry} is named by an entry point of pyproject.toml and does not exist")
    heavy = {name: way for name, way in _loaded_by(entry).items() if name.split(".")[0] in HEAVY}
    assert not heavy, "\n".join(" -> ".join(way) for way in heavy.values())


def test_no_test_library_in_the_package() -> None:
    used = {(module, i.target) for module in TREES for i in _found(module) if i.target.split(".")[0] in TEST_ONLY}
    for_users = {"hypothesis", "hypothesis.strategies"}  # for their property tests, and nobody here imports it
    assert used == {("legtest.strategies", target) for target in for_users}
    assert not [m for m in TREES if any(i.target.startswith("legtest.strategies") for i in _found(m))]


def test_what_guards_the_leg_runs_on_the_standard_library_alone() -> None:
    """Imports canbus (without live) and safety without site-packages, as the process that keeps a live bus does."""
    guarded = [m for m in TREES if m.startswith(("legtest.canbus", "legtest.safety")) and m != "legtest.canbus.live"]
    code = (
        f"import sys; sys.path.append({str(ROOT)!r})\n"
        f"for name in {guarded!r}: __import__(name)\n"
        "tops = {name.split('.')[0] for name in sys.modules} - set(sys.stdlib_module_names)\n"
        "print(*sorted(tops - {'__main__'}))"
    )
    done = subprocess.run([sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["legtest"]


SMALL_TABLE = read_table(
    "| room | may import | third party |\n|---|---|---|\n"
    "| errors | - | - |\n| bus, bus/other | errors | - |\n| bus/live | bus | can |\n"
    "| door | bus, bus/live (late) | - |\n| top | errors, everything above (late) | - |\n"
)


@pytest.mark.parametrize(
    ("module", "source", "complaint"),
    [
        ("legtest.errors", "import legtest.bus", "legtest.errors may not"),
        ("legtest.bus.frame", "from legtest.errors import X", None),
        ("legtest.bus.frame", "from legtest.bus import link", None),
        ("legtest.bus.frame", "from legtest.bus import live", "legtest.bus may not"),
        ("legtest.bus.frame", "import numpy as np", "imports numpy"),
        ("legtest.bus.frame", "def f():\n    from legtest import door", "imports legtest.door"),
        ("legtest.bus.frame", "import importlib\nx = importlib.import_module('legtest.door')", "imports legtest.door"),
        ("legtest.bus.frame", "if TYPE_CHECKING:\n    import can", "imports can"),
        ("legtest.bus.live", "import can\nfrom legtest.bus.link import Link", None),
        ("legtest.door", "from legtest.bus.live import open_it", "inside the function"),
        ("legtest.door", "def f():\n    from legtest.bus.live import open_it", None),
        ("legtest.door", "if TYPE_CHECKING:\n    from legtest.bus.live import open_it", None),
        ("legtest.door", "from legtest import __version__", None),
        ("legtest.bus.frame", "from legtest import SomePublicName", "imports legtest.SomePublicName"),
        ("legtest.bus.frame", "import legtest", "imports legtest"),
        ("legtest.top", "from legtest.errors import X\n\ndef f():\n    import legtest.door", None),
        ("legtest.top", "from legtest.errors import X\nimport legtest.door", "inside the function"),
        ("legtest.attic", "import sys", "no row"),
    ],
)
def test_the_check_itself_finds_what_is_forbidden(module: str, source: str, complaint: str | None) -> None:
    rooms = ("errors", "bus", "bus.link", "bus.live", "door")
    ours = dict.fromkeys(["legtest", *(f"legtest.{name}" for name in rooms)])
    said = list(violations(module, imports(ast.parse(source), ours), SMALL_TABLE))
    if complaint is None:
        assert said == []
    else:
        assert len(said) == 1
        assert complaint in said[0]
