"""Collecting opens nothing and loads nothing heavy; ids name leg and joint; without the plugin nothing moves."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.plugin.conftest import FIXTURES, HOPPER, Project

ROOT = FIXTURES.parent
HEAVY = {"numpy", "mujoco", "can", "canopen", "pyarrow", "jinja2", "junit_xml", "rich", "serial"}
COLLECT = """
import sys, pytest
status = pytest.main(["--collect-only", "-q", "-p", "no:cacheprovider", "--leg=fixtures/legs/tarn-fl.yaml",
    "--leg=fixtures/legs/tarn-hopper.yaml", "--leg-runs=RUNS", "suites/acceptance"])
print("loaded:", *sorted(HEAVY & set(sys.modules)))
print("procedure:", "legtest.procedures.homing" in sys.modules)
sys.exit(status)
"""


def test_collecting_the_acceptance_suite(tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    code = COLLECT.replace("HEAVY", repr(HEAVY)).replace("RUNS", str(runs))
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert "loaded:" in lines, "nothing heavy may be loaded: " + done.stdout
    assert "procedure: True" in lines  # the suite does import procedures at its top
    ids = [line.partition("::")[2] for line in lines if "::" in line]
    for leg, joints in (("tarn-fl", ("abduction", "hip", "knee")), ("tarn-hopper", ("hip", "knee"))):
        assert {f"test_homing_repeats[{leg}-{joint}]" for joint in joints} <= set(ids)
        assert f"test_foot_follows_its_path[{leg}]" in ids
    assert len(ids) == len(set(ids)) == 16 * (3 + 2) + 16 * 2
    assert not runs.exists()


def test_a_users_parameters_stand_beside_leg_and_joint(project: Project) -> None:
    done = project.run(
        "@pytest.mark.parametrize('speed', [1, 2])\ndef test_it(speed, joint):\n    assert joint.name\n",
        "--collect-only", "-qq",
    )  # fmt: skip
    found = {line for line in done.out.splitlines() if "::" in line}
    expected = {(j, s) for j in ("hip", "knee") for s in "12"}
    assert len(found) == len(expected)
    assert all(any(f"tarn-hopper-{j}" in f and s in f.replace("tarn", "") for f in found) for j, s in expected)


@pytest.mark.parametrize("parallel", [[], ["-n", "2"]], ids=["serial", "parallel"])
def test_collecting_records_nothing(parallel: list[str], project: Project) -> None:
    done = project.run("def test_it(bench, joint, judge):\n    pass\n", "--collect-only", *parallel)
    assert done.ret == 0
    assert done.folders == ()


def test_a_fixture_asked_for_by_name(project: Project) -> None:
    done = project.run("def test_it(request):\n    request.getfixturevalue('bench')\n")
    assert "error: name `leg`, `joint`, `bench` or `judge` among the arguments" in done.out
    assert done.ret == 1


def test_without_the_plugin_nothing_runs(project: Project) -> None:
    """The fixtures are gone with it, and a bench made by hand has its own pre-check all the same."""
    done = project.run("def test_it(bench, joint, judge):\n    raise AssertionError\n", "-p", "no:legtest", legs=())
    assert "fixture 'bench' not found" in done.out
    assert (done.outcomes, done.folders) == ({"errors": 1}, ())
    done = project.run(None, "-p", "no:legtest", legs=(HOPPER,), apart=True)
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert "unrecognized arguments: --leg" in done.out


def test_no_fixture_is_autouse(project: Project) -> None:
    done = project.run("def test_it(request):\n    assert not {'leg', 'bench', 'judge'} & set(request.fixturenames)\n")
    assert (done.ret, done.folders) == (0, ())
