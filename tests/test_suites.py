"""The suites that come with legtest: one line for each test, gentle ones first, and each says when to use it."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

from legtest.procedures.catalogue import PROCEDURES
from tests.source_tree import ROOT

SUITES = sorted((ROOT / "suites").glob("*/test_*.py"))
MODULES = {p.move.__module__.rpartition(".")[2]: p for p in PROCEDURES}


def calls(path: Path) -> list[str]:
    """The procedure that each test runs, in the order of the file; every test is one line."""
    found = []
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            (line,) = node.body
            text = ast.unparse(line)
            assert text.startswith("judge(*"), text
            found.append(text.removeprefix("judge(*").partition(".run(")[0])
    return found


def test_the_suites_there_are() -> None:
    names = ["acceptance", "after_firmware", "after_part_change", "commit", "nightly", "sentinel"]
    assert [path.parent.name for path in SUITES] == names


@pytest.mark.parametrize("path", SUITES, ids=lambda path: path.parent.name)
def test_a_suite_is_ordered_by_energy_and_says_when_to_use_it(path: Path) -> None:
    classes = [MODULES[name].energy_class for name in calls(path)]
    assert classes == sorted(classes)
    doc = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    assert f"pytest suites/{path.parent.name} " in doc
    assert "the criteria of the leg file" in " ".join(doc.split())


def test_acceptance_has_every_procedure() -> None:
    assert sorted(calls(SUITES[0])) == sorted(MODULES)


@pytest.mark.slow
def test_the_commit_suite_is_green_for_the_two_joint_leg(tmp_path: Path) -> None:
    leg, runs = f"--leg={ROOT / 'fixtures/legs/tarn-hopper.yaml'}", f"--leg-runs={tmp_path}"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "suites/commit", leg, runs]
    alone = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(command, cwd=ROOT, env=alone, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "14 passed" in done.stdout
