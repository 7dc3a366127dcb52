"""Limits proposed from runs: the interval, what is refused, and that a leg file takes what is printed."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from click.testing import CliRunner

from legtest.cli.main import main
from legtest.description import read_leg
from legtest.description.model import Limit
from legtest.errors import RecordError, UsageError
from legtest.history.criteria import Proposed, check_run, propose, yaml_lines
from legtest.history.snapshot import Snapshot
from legtest.metrology.decision import decide
from legtest.records.reading import read_run
from legtest.records.run import RunWriter
from legtest.units import parse
from tests.history.make_snapshot import make_snapshot, make_value, with_drive
from tests.records.make_run import STARTED, Filling, make_bench, make_leg, make_run, value

ROOT = Path(__file__).parents[2]
LEG = make_leg()
U = 1.959964 * 0.01  # of a value with u 0.01 N*m and many degrees of freedom


def runs_of(values: list[float], **more: object) -> list[Snapshot]:
    return [make_snapshot(make_value(x, **more), day=day, seed=day) for day, x in enumerate(values)]  # type: ignore[arg-type]


def text_of(found: Proposed, signed: str = "") -> str:
    return "\n".join(yaml_lines(found, signed))


TEN = [0.20, 0.21, 0.19, 0.22, 0.20, 0.21, 0.18, 0.20, 0.21, 0.20]


def test_the_interval_is_mean_and_k_s_widened_by_u() -> None:
    (only,) = propose(runs_of(TEN), LEG).proposals
    # k: ISO 16269-6, n 10, 95 % / 95 %, both unknown; t: of u with 9 degrees of freedom, JCGM 100 table G.2
    reach = 3.3934 * np.std(TEN, ddof=1) + 2.262 * 0.01
    assert (only.joint, only.quantity, only.kind) == ("knee", "coulomb_friction", "torque")
    assert only.low == pytest.approx(np.mean(TEN) - reach, abs=1e-5)
    assert only.high == pytest.approx(np.mean(TEN) + reach, abs=1e-5)
    assert only.drawing == Limit(None, 0.33, "torque", "tarn-fl.yaml:36")


def test_one_of_a_hundred_proposals_from_ten_runs_holds_95_percent_as_often_as_said() -> None:
    """The law behind the factor: 95 % of the proposals hold 95 % of the population (here without U)."""
    rng = random.Random(5)
    held = 0
    for _ in range(400):
        values = [rng.gauss(0.2, 0.02) for _ in range(10)]
        (only,) = propose(runs_of(values, u=1e-9), LEG).proposals
        low, high = ((x - 0.2) / 0.02 for x in (only.low, only.high))
        held += _normal(high) - _normal(low) >= 0.95
    assert 365 <= held <= 392  # 380 expected, standard deviation 4.4


def _normal(z: float) -> float:
    from math import erf, sqrt

    return (1 + erf(z / sqrt(2))) / 2


def test_two_tests_of_one_quantity_give_the_wider_limits() -> None:
    both = [
        make_snapshot(make_value(x), make_value(x + 0.05, test="test_more.py::test_it"), day=day, seed=day)
        for day, x in enumerate(TEN)
    ]
    (only,) = propose(both, LEG).proposals
    (alone,) = propose(runs_of(TEN), LEG).proposals
    assert (only.low, only.high) == pytest.approx((alone.low, alone.high + 0.05))
    assert len(only.notes) == 2


def test_what_is_printed() -> None:
    text = text_of(propose(runs_of(TEN), LEG))
    assert text.startswith("# Proposed for tarn-fl from 10 runs, SIMULATED, 2031-03-04 to 2031-03-13:\n#   2031")
    assert "# Nobody has accepted it.\ncriteria:\n  knee:\n    # n 10, mean 0.202 N*m, s 0.011 N*m, k 3.393, " in text
    assert "# drawing: at most 0.33 N*m (tarn-fl.yaml:36)\n" in text
    (limit,) = yaml.safe_load(text)["criteria"]["knee"].values()
    (only,) = propose(runs_of(TEN), LEG).proposals
    assert parse(limit["at_most"], "torque") >= only.high
    assert parse(limit["at_most"], "torque") == pytest.approx(only.high, abs=0.002)


@pytest.mark.parametrize(
    ("limit", "line"),
    [
        (Limit(None, 0.2, "torque", "f:1"), "drawing: at most 0.2 N*m (f:1), and this is WIDER"),
        (Limit(0.05, None, "torque", "f:1"), "drawing: at least 0.05 N*m (f:1)"),
        (Limit(0.1, 0.3, "torque", "f:1", 0.02), "drawing: 0.1 N*m to 0.3 N*m (f:1)"),
        (None, "the drawing has no limit"),
    ],
)
def test_the_sides_are_those_of_the_drawing(limit: Limit | None, line: str) -> None:
    limits = {} if limit is None else {"coulomb_friction": limit}
    text = text_of(propose(runs_of(TEN), replace(LEG, criteria=replace(LEG.criteria, leg=limits))))
    assert f"# {line}\n" in text
    (made,) = yaml.safe_load(text)["criteria"]["knee"].values()
    form = "between" if limit is None or (limit.low and limit.high) else "at_most" if limit.low is None else "at_least"
    assert form in made
    assert ("margin" in made) == bool(limit and limit.margin)


def test_what_has_no_proposal_says_why() -> None:
    few = runs_of(TEN)
    few[3] = make_snapshot(make_value(0.2, word="invalid"), day=3, seed=3)
    assert propose(few, LEG).left_out == (
        "knee coulomb_friction of test_gears.py::test_friction: 9 sound values, at least 10 are needed",
    )
    own = runs_of(TEN, quantity="sag", kind="length")
    assert "a quantity of your own" in text_of(propose(own, LEG))
    assert propose(own, LEG).proposals == ()
    exact = make_value(0.2)
    exact = replace(exact, measurement=replace(exact.measurement, u=0.0))  # no procedure gives it, a file might
    still = [make_snapshot(exact, day=day, seed=day) for day in range(10)]
    assert "neither spread nor uncertainty" in text_of(propose(still, LEG))


def change(n: int, **changed: object) -> Callable[[list[Snapshot]], list[Snapshot]]:
    return lambda runs: [replace(run, **changed) if i == n else run for i, run in enumerate(runs)]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda runs: runs[:9], "9 runs: a limit needs at least 10"),
        (lambda runs: [*runs, runs[0]], "is the same run as"),
        (change(4, seed=2), "have the same --leg-seed 2"),
        (change(4, legs={"tarn-hopper": "a"}), "differ in leg:"),
        (change(4, mode="LIVE"), "differ in mode"),
        (change(4, setting={"rate_hz": 500.0}), "differ in bench or stand"),
        (change(4, faults=("backlash@knee=1 deg",)), "a fault was put in"),
        (lambda runs: [*runs[:4], with_drive(runs[4], "knee", serial=9), *runs[5:]], "differ in drives"),
    ],
)
def test_runs_that_do_not_belong_together(spoil: Callable[[list[Snapshot]], list[Snapshot]], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        propose(spoil(runs_of(TEN)), LEG)


def test_a_run_that_failed_or_is_not_sealed(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"failed run: gears.py::test_backlash.* fail and 1 more"):
        check_run(read_run(make_run(tmp_path, cycles=20)))
    with pytest.raises(RecordError, match="no limits from it: not sealed"):
        check_run(read_run(make_run(tmp_path, seal=False, cycles=20)))


def test_the_command_refuses_and_writes_nothing(tmp_path: Path) -> None:
    run = str(make_run(tmp_path / "runs", cycles=20))
    target = tmp_path / "limits.yaml"
    done = CliRunner().invoke(main, ["criteria", run])
    assert (done.exit_code, "no limits from a failed run" in done.output) == (1, True)
    done = CliRunner().invoke(main, ["criteria", run, "--write", str(target), "--by", "M. Osei"])
    assert (done.exit_code, "--reason: one line" in done.output) == (2, True)
    done = CliRunner().invoke(main, ["criteria", run, "--by", "M. Osei"])
    assert (done.exit_code, "name the file with --write FILE" in done.output) == (2, True)
    assert not target.exists()


def good_run(runs: Path, seed: int) -> str:
    """A sealed run of the leg of the fixtures in which all is well."""
    leg, test = read_leg(ROOT / "fixtures/legs/tarn-fl.yaml"), "gears.py::test_backlash[tarn-fl-knee]"
    run = RunWriter.create(
        runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), command=("pytest",), seed=seed
    )
    filling = Filling(run.part(test), make_leg(), test)
    for quantity, x in (("backlash", 0.002 + 1e-4 * (seed % 4)), ("travel_error", 0.001 * (seed % 3))):
        m = value(quantity, "knee", x, ("scatter", 2e-4))
        filling.part.verdict(0, decide(m, leg.criteria.limit(quantity, "knee"), leg.decision), test=test)
    filling.part.end(0)
    run.test_end(test, "pass", leg=leg.name, seconds=1.0)
    run.seal()
    return str(run.folder)


def test_a_person_accepts_and_the_leg_file_takes_it(tmp_path: Path) -> None:
    runs = [good_run(tmp_path / "runs", seed) for seed in range(10)]
    signed = ("--by", "M. Osei", "--reason", "ten nights on the new belts")
    target = tmp_path / "limits.yaml"
    done = CliRunner().invoke(main, ["criteria", *runs, "--write", str(target), *signed])
    assert done.exit_code == 0, done.output
    assert done.output == f"{target}: 2 limits of tarn-fl, accepted by M. Osei\n"
    written = target.read_text(encoding="utf-8")
    assert "by M. Osei: ten nights on the new belts\ncriteria:\n" in written
    shown = CliRunner().invoke(main, ["criteria", *runs]).output
    assert shown.partition("criteria:")[2] == written.partition("criteria:")[2]
    again = CliRunner().invoke(main, ["criteria", *runs, "--write", str(target), *signed])
    assert (again.exit_code, "cannot be written" in again.output) == (1, True)
    assert target.read_text(encoding="utf-8") == written
    # pasted in place of the old criteria, they are the leg's
    leg = (ROOT / "fixtures/legs/tarn-fl.yaml").read_text(encoding="utf-8")
    before, _, rest = leg.partition("\ncriteria:\n")
    after = rest[rest.index("\nsimulation:") :] if "\nsimulation:" in rest else ""
    pasted = tmp_path / "leg.yaml"
    pasted.write_text((before + "\n" + written + after).replace("../drives", str(ROOT / "fixtures/drives")), "utf-8")
    criteria = read_leg(pasted).criteria
    limit = criteria.limit("backlash", "knee")
    assert limit is not None
    assert limit.low is None
    assert 0.0021 < (limit.high or 0) < 0.0035
    assert criteria.limit("backlash", "hip") is None
