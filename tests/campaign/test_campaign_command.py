"""The command's own tables, exit codes and files; what a campaign finds is tested elsewhere."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from legtest.campaign import ablation, removal
from legtest.campaign.removal import DEFENCES, RULES, Removal, removed
from legtest.campaign.tally import ENOUGH_RUNS, Row, StopRow, Tally, as_json, invariant, stop_table
from legtest.cli.main import main

LEG = str(Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-hopper.yaml")


def row(seed: int, *, rules: tuple[str, ...] = (), broken: tuple[str, ...] = (), kinds: tuple[str, ...] = ()) -> Row:
    return Row(seed, kinds, rules, broken, (), "ended")


def test_a_few_runs_print_tables_and_write_a_file(tmp_path: Path) -> None:
    path = tmp_path / "figures.json"
    result = CliRunner().invoke(main, ["campaign", "--leg", LEG, "--runs", "3", "--seed", "7", "--json", str(path)])
    assert result.exit_code == 0, result.output
    assert "3 runs in" in result.output
    assert "no invariant broken" in result.output
    figures = json.loads(path.read_text(encoding="utf-8"))
    assert figures["runs"] == 3
    assert set(figures["reasons"]) >= set(RULES)
    assert figures["broken"] == {}


def test_a_seed_is_traced(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["campaign", "--leg", LEG, "--seed", "8", "--trace"])
    assert result.exit_code == 0, result.output
    assert "seed 8: leg " in result.output
    assert "  wire: " in result.output


def test_an_unknown_defence_and_a_file_that_cannot_be_written_are_named() -> None:
    wrong = CliRunner().invoke(main, ["campaign", "--leg", LEG, "--remove", "gravity"])
    assert wrong.exit_code == 2
    assert "foreign master" in wrong.output
    unwritable = CliRunner().invoke(main, ["campaign", "--leg", LEG, "--runs", "1", "--json", "/no/such/file"])
    assert unwritable.exit_code == 2
    assert "/no/such/file" in unwritable.output


def test_what_is_broken_fails_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(seeds: object, legs: object, **more: object) -> Tally:
        tally = Tally()
        tally.add(row(5, broken=("1.0 s I5 hip: off 3.0 ms too late",)))
        return tally

    monkeypatch.setattr("legtest.campaign.swarm.swarm", broken)
    result = CliRunner().invoke(main, ["campaign", "--leg", LEG, "--runs", "1"])
    assert result.exit_code == 1
    assert "BROKEN I5: 1 seeds, first 5" in result.output


def test_a_reason_that_is_hardly_ever_reached_is_rare_once_there_are_enough_runs() -> None:
    tally = Tally()
    for seed in range(ENOUGH_RUNS):
        tally.add(row(seed, rules=tuple(rule for rule in RULES if rule != "speed" or seed < 3)))
    assert list(tally.rare()) == ["speed"]
    assert Tally(runs=10).rare() == {}


def test_only_seeds_that_passed_are_tried_without_a_defence() -> None:
    tally = Tally()
    tally.add(row(1, rules=("supply",), broken=("0.1 s I4 x",)))
    tally.add(row(2, rules=("supply",)))
    tally.add(row(3, kinds=("stop frames lost",)))
    assert ablation.candidates("supply", tally) == [2]
    assert ablation.candidates("stop: repetition", tally) == [3]


def test_spans_of_stops_are_set_against_their_budgets() -> None:
    stops = [StopRow(250.0, "stop", False, n * 1_000_000, 10_000_000, 2 * n * 1_000_000, 40_000_000) for n in (1, 2, 5)]
    sent, off = sorted(stop_table(stops), key=lambda each: each[2])
    assert sent[:5] == (250.0, "stop", "on the wire", 3, (2.0, 5.0, 5.0))
    assert sent[5] == 0.5
    assert off[4] == (4.0, 10.0, 10.0)
    assert off[5] == 0.25


def test_every_removal_is_put_back() -> None:
    from legtest.safety import loop, monitor, unpowered
    from legtest.safety.cycle import Cycle
    from legtest.safety.gate import Gate
    from legtest.safety.loop import Loop
    from legtest.safety.permit import Ledger

    def parts() -> list[object]:
        return [
            monitor._react, Loop._object, unpowered.untripped_rules, Gate._setpoint_refusal, loop.check, Ledger.issue,
            Cycle._pass, Cycle._push_out,
        ]  # fmt: skip

    before = parts()
    for name in (*RULES, *DEFENCES):
        with removed(Removal(name)):
            assert parts() != before, name
        assert parts() == before
    with pytest.raises(ZeroDivisionError), removed(Removal("supply")):
        raise ZeroDivisionError
    assert parts() == before


def test_rules_are_those_that_the_safety_room_has() -> None:
    """A rule that is renamed there would never be removed here."""
    source = "".join(path.read_text(encoding="utf-8") for path in Path(removal.__file__).parents[1].glob("safety/*.py"))
    assert [rule for rule in RULES if f'"{rule}"' not in source] == []


def test_figures_are_plain_data() -> None:
    assert invariant("0.100000 s I14 knee comes on after a violation") == "I14"
    tally = Tally()
    tally.add(row(1, kinds=("host dies",)))
    assert json.loads(json.dumps(as_json(tally, 1.0, [])))["kinds"]["host dies"] == {"runs": 1, "stopped": 0}
