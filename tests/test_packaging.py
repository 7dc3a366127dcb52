"""The distribution: what is pinned, what is shipped, what the package shows to the outside."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version
from source_tree import ROOT, parse

import legtest

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
CONSTRAINTS = (ROOT / ".ci/constraints.txt").read_text(encoding="utf-8")
PINS = {
    canonicalize_name(name): Version(version)
    for name, version in re.findall(r"^([\w.-]+)==(\S+)$", CONSTRAINTS, flags=re.MULTILINE)
}
ASKED = [
    Requirement(line)
    for line in [*PROJECT["dependencies"], *(r for extra in PROJECT["optional-dependencies"].values() for r in extra)]
]


@pytest.mark.parametrize("requirement", ASKED, ids=str)
def test_each_dependency_is_pinned_inside_its_own_range(requirement: Requirement) -> None:
    assert requirement.specifier.contains(PINS[canonicalize_name(requirement.name)])


def test_constraints_hold_exact_versions_and_nothing_else() -> None:
    lines = [line for line in CONSTRAINTS.splitlines() if line and not line.startswith("#")]
    assert len(lines) == len(PINS) > len(ASKED)
    assert "://" not in CONSTRAINTS
    assert not re.search(r"^\s*-", CONSTRAINTS, flags=re.MULTILINE)


def test_each_room_says_what_it_is() -> None:
    folders = [p for p in (ROOT / "legtest").rglob("*") if p.is_dir() and any(p.glob("*.py"))]
    silent = [str(p) for p in folders if not (p / "__init__.py").exists()]
    assert silent == []
    trees = parse(ROOT / "legtest")
    assert [name for name, tree in trees.items() if not tree.body or not _docstring(tree.body[0])] == []


def _docstring(node: object) -> bool:
    return isinstance(getattr(getattr(node, "value", None), "value", None), str)


def test_public_names_are_those_listed() -> None:
    assert legtest.__all__ == sorted(legtest.__all__)
    for name in legtest.__all__:
        assert getattr(legtest, name) is not None
        assert name in dir(legtest)


def test_a_name_that_is_not_public_is_refused_with_those_that_are() -> None:
    with pytest.raises(AttributeError, match=r"no attribute 'homming'; it has .*homing"):
        legtest.homming  # noqa: B018


def test_importing_the_package_loads_only_itself() -> None:
    code = "import sys, legtest; print(*{name.split('.')[0] for name in sys.modules} - sys.stdlib_module_names)"
    done = subprocess.run([sys.executable, "-S", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) - {"__main__"} == {"legtest"}
