"""Seeds as runs: they repeat, they pass, they stop nothing without a fault, and they notice what is taken out."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from regressions import CASES

from legtest.campaign.ablation import ablate, candidates
from legtest.campaign.fault import KINDS
from legtest.campaign.grammar import Case, draw
from legtest.campaign.run import execute, run_seed
from legtest.campaign.swarm import swarm
from legtest.campaign.tally import Tally, row_of

FIXTURES = Path(__file__).parents[2] / "fixtures" / "legs"
LEGS = (str(FIXTURES / "tarn-fl.yaml"), str(FIXTURES / "tarn-hopper.yaml"))
AXES = (3, 2)
REMOVALS = ("foreign master", "telemetry age", "drive fault", "position jump", "stop: repetition")
SHORT = range(30_000, 32_000)


def traced(seed: int, hash_seed: str) -> str:
    """One seed in a process of its own."""
    command = [sys.executable, "-c", "from legtest.cli.main import main; main()", "campaign", "--trace"]
    command += ["--seed", str(seed), *(word for leg in LEGS for word in ("--leg", leg))]
    environment = os.environ | {"PYTHONHASHSEED": hash_seed}
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False).stdout


def test_a_seed_gives_the_same_bytes_on_the_wire_again_whatever_the_hash_seed() -> None:
    here = run_seed(21, LEGS, digest=True)
    assert here.wire
    assert {run_seed(21, LEGS, digest=True).wire, here.wire} == {here.wire}
    assert [f"wire: {here.wire}" in traced(21, hash_seed) for hash_seed in ("1", "2")] == [True, True]


def test_a_case_does_not_depend_on_anything_but_its_seed() -> None:
    assert [draw(seed, AXES) for seed in range(50)] == [draw(seed, AXES) for seed in range(50)]


def test_the_grammar_is_wide_enough() -> None:
    assert len(KINDS) >= 35
    assert {kind.where for kind in KINDS.values()} == {
        "bus", "adapter", "host", "drive", "sensor", "mechanics", "supply", "operator", "user",
    }  # fmt: skip
    drawn = {fault.kind for seed in range(2000) for fault in draw(seed, AXES).faults}
    assert drawn == set(KINDS)


def test_without_a_fault_nothing_stops() -> None:
    faultless = [case for seed in range(400) if not (case := draw(seed, AXES)).faults][:12]
    assert len({case.leg for case in faultless}) == 2
    outcomes = [execute(case, LEGS) for case in faultless]
    assert [(o.case.seed, o.broken, o.reasons, o.ended) for o in outcomes if o.broken or o.reasons] == []
    assert {o.ended for o in outcomes} == {"ended"}


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"seed {case.seed}")
def test_what_was_broken_once_is_not_broken_again(case: Case) -> None:
    assert execute(case, LEGS).broken == ()


@pytest.fixture(scope="module")
def short() -> Tally:
    return swarm(SHORT, LEGS, jobs=2)


@pytest.mark.slow
def test_a_short_campaign_breaks_nothing(short: Tally) -> None:
    assert short.broken == {}
    assert short.runs == len(SHORT)
    assert len(short.kinds) == len(KINDS)


@pytest.mark.slow
@pytest.mark.parametrize("what", REMOVALS)
def test_a_removed_defence_is_noticed(what: str, short: Tally) -> None:
    caught = ablate(what, candidates(what, short), LEGS)
    assert caught.seed is not None, f"nothing noticed in {caught.tried} seeds"


@pytest.mark.slow
def test_results_do_not_depend_on_the_number_of_processes() -> None:
    alone, together = swarm(range(25), LEGS), swarm(range(25), LEGS, jobs=2)
    assert (alone.rules, alone.kinds, alone.broken) == (together.rules, together.kinds, together.broken)
    assert sorted(map(repr, alone.stops)) == sorted(map(repr, together.stops))


def test_a_row_keeps_what_tables_need() -> None:
    outcome = next(o for seed in range(60) if (o := run_seed(seed, LEGS)).stops and o.reasons)
    row = row_of(outcome)
    assert row.seed == outcome.case.seed
    assert row.rules == outcome.rules
    assert len(row.stops) == len(outcome.stops)
