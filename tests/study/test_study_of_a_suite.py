"""The command on a small suite: real runs of pytest, their records, and the tables."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from legtest.cli.main import main

LEG = str(Path(__file__).parents[2] / "fixtures/legs/tarn-hopper.yaml")
SUITE = """
from legtest import friction

def test_running_friction(bench, judge):
    judge(*friction.run(bench, bench.leg.joint("hip")))
"""


@pytest.mark.slow
def test_a_study_finds_the_fault_and_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("test_small.py").write_text(SUITE)
    command = ["study", "test_small.py", "--leg", LEG, "--seeds", "1", "--fault", "friction"]
    first = CliRunner().invoke(main, command)
    assert first.exit_code == 0, first.output
    assert "tarn-hopper: 1 of 1 seeds passed whole" in first.stdout
    assert "friction@hip=2  tarn-hopper  1 of 1  -          *coulomb_friction 1" in first.stdout
    assert "coulomb_friction  1" in first.stdout
    assert "1 left, about" in first.stderr
    rows = [json.loads(line) for line in Path("study.jsonl").read_text().splitlines()]
    assert [(row["fault"], row["exit"]) for row in rows] == [("", 0), ("friction@hip=2", 1)]
    assert not Path("runs").exists()
    again = CliRunner().invoke(main, [*command, "--json"])
    assert again.stderr == ""  # nothing was run
    data = json.loads(again.stdout)
    assert data["faults"][0]["failed"] == 1
    assert {each["quantity"] for each in data["uncertainty"]} == {"coulomb_friction", "viscous_friction"}


def test_a_suite_that_pytest_cannot_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    failed = CliRunner().invoke(main, ["study", "no_such_suite", "--leg", LEG, "--seeds", "1"])
    assert failed.exit_code == 2
    assert "seed 1, healthy: pytest ended with 4 and judged nothing" in failed.output
    assert "no_such_suite" in failed.output
    assert not Path("study.jsonl").exists()
