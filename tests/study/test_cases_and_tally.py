"""What is run in a study, what is kept of it, and how it is counted; without running a suite."""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import radians, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from legtest.description import default_bench, read_leg
from legtest.errors import RecordError, UsageError
from legtest.simulation.faults import FAULTS, apply, parse_fault
from legtest.simulation.plant import plant_of
from legtest.study import case, run, store, tally
from legtest.study.truth import RP_OF_NORMAL, truth

LEG = str(Path(__file__).parents[2] / "fixtures/legs/tarn-fl.yaml")


def _row(
    seed: int, fault: str = "", exit_code: int = 0, verdicts: Sequence[dict[str, Any]] = (), **more: Any
) -> dict[str, Any]:
    words = {v["test"]: v["word"] for v in verdicts} or {"t": "pass"}
    fixed = {"leg": LEG, "leg_name": "tarn-fl", "leg_sha256": "0", "select": "", "code": "c"}
    row = {"seed": seed, "fault": fault, "exit": exit_code, "tests": words, "verdicts": list(verdicts)}
    return fixed | row | more


def _verdict(word: str, quantity: str = "backlash", value: float = 0.0, true: float | None = None) -> dict[str, Any]:
    return {"test": f"t_{quantity}", "subject": "knee", "quantity": quantity, "word": word, "value": value, "u": 1.0,
            "dof": 1e9, "true": true}  # fmt: skip


def test_every_leg_seed_and_fault_once_the_healthy_first() -> None:
    found = case.cases([LEG], [1, 2], ["backlash", "friction=1.5"])
    assert [(c.seed, c.fault) for c in found] == [
        (1, ""), (2, ""), (1, "backlash@knee=3 deg"), (2, "backlash@knee=3 deg"), (1, "friction@hip=1.5"),
        (2, "friction@hip=1.5"),
    ]  # fmt: skip
    assert len({c.key for c in found}) == len(found)
    assert [c.fault for c in case.cases([LEG], [1], ["backlash"], healthy=False)] == ["backlash@knee=3 deg"]


@pytest.mark.parametrize("name", FAULTS)
def test_half_a_fault_is_half_way_to_none(name: str) -> None:
    """None is where the plant stays as it was; a carriage without any friction is none as well."""
    both = [parse_fault(c.fault) for c in case.cases([LEG], [1], [name], half=True, healthy=False)]
    if not FAULTS[name].halves:
        assert [str(c) for c in both] == [str(parse_fault(name))]
        return
    full, half = both
    none = round(2 * half.size - full.size)
    assert 2 * half.size - full.size == pytest.approx(none, abs=2e-3)  # sizes are written with four digits
    assert none in (0, 1)
    plant = plant_of(read_leg(LEG), default_bench(), 1)
    if name != "dragging-carriage":
        assert apply(plant, full._replace(size=none)) == plant
    assert apply(plant, half) not in (plant, apply(plant, full))


def test_an_unknown_fault_is_told_before_anything_runs() -> None:
    with pytest.raises(UsageError, match="did you mean 'backlash'"):
        case.cases([LEG], [1], ["backslash"])


def test_rows_are_kept_and_a_torn_last_line_is_run_again(tmp_path: Path) -> None:
    path = tmp_path / "study.jsonl"
    assert store.read(path) == {}
    store.append(path, _row(1))
    store.append(path, _row(2))
    whole = store.read(path)
    assert [row["seed"] for row in whole.values()] == [1, 2]
    path.write_bytes(path.read_bytes()[:-20])  # the power went while the last row was written
    assert [row["seed"] for row in store.read(path).values()] == [1]
    lines = path.read_text().split("\n")
    path.write_text("\n".join(["{}", *lines]))
    with pytest.raises(RecordError, match=r"study.jsonl:1: no row of a study: leg is missing"):
        store.read(path)
    path.write_text("no JSON\n\n")
    with pytest.raises(RecordError, match=r"study.jsonl:1: no row of a study: not JSON"):
        store.read(path)


def test_a_file_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be written"):
        store.append(tmp_path / "none" / "study.jsonl", _row(1))


def test_what_is_there_is_not_run_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[int] = []

    def execute(each: case.Case, suite: object, runs: object) -> dict[str, Any]:
        ran.append(each.seed)
        return {**each._asdict(), "exit": 0, "code": "c", "tests": {}, "verdicts": []}

    monkeypatch.setattr(run, "execute", execute)
    path, told = tmp_path / "study.jsonl", []
    run.study(case.cases([LEG], [1, 2], []), ["suite"], path, done=lambda c, row, left: told.append(left))
    rows = run.study(case.cases([LEG], [1, 2, 3], []), ["suite"], path, jobs=2)
    assert (sorted(ran), told) == ([1, 2, 3], [1, 0])
    assert [row["seed"] for row in rows] == [1, 2, 3]
    # Another selection of tests is another case.
    run.study(case.cases([LEG], [1], [], select="homing"), ["suite"], path)
    assert sorted(ran) == [1, 1, 2, 3]


def test_healthy_legs_say_what_kept_them_from_passing() -> None:
    stopped = _row(3, exit_code=11, tests={"t_ok": "pass", "t_stopped": "bench error"})
    unclear = _row(2, exit_code=1, verdicts=(_verdict("inconclusive"),))
    rows = [_row(1), unclear, stopped, _row(4, "backlash@knee=3 deg", 1)]
    (found,) = tally.healthy(rows)
    assert (found.seeds, found.passed) == (3, 1)
    assert found.troubles == ("seed 2: knee backlash inconclusive", "seed 3: t_stopped bench error")


def test_a_fault_is_caught_by_a_failure_only() -> None:
    name = "backlash@knee=3 deg"
    rows = [
        _row(1, name, 1, (_verdict("fail"), _verdict("fail", "path_delay"))),
        _row(2, name, 1, (_verdict("fail"),)),
        _row(3, name, 10, (_verdict("inconclusive"),)),
        _row(4, name, 0, (_verdict("pass"),)),
    ]
    (found,) = tally.detections(rows)
    assert (found.seeds, found.failed, found.open, found.share) == (4, 2, 1, 0.5)
    assert found.noticed == {"backlash": 2, "path_delay": 1}
    assert "travel_error" in found.expected


def test_honesty_of_known_errors() -> None:
    """Normal errors of sd 1 with u = 1: 95 % are covered; the same errors with a bias of 3 are not."""
    errors = np.random.default_rng(3).normal(size=2000)
    rows = [_row(i, verdicts=(_verdict("pass", value=5 + e, true=5.0),)) for i, e in enumerate(errors)]
    (found,) = tally.honesty(rows)
    assert found.n == 2000
    assert found.covered / found.n == pytest.approx(0.95, abs=0.015)
    assert (found.bias, found.sd, found.u) == pytest.approx((0, 1, 1), abs=0.06)
    (biased,) = tally.honesty([_row(1, verdicts=(_verdict("pass", value=8.0, true=5.0),))])
    assert biased.covered == 0
    assert tally.honesty([_row(1, verdicts=(_verdict("pass", true=None),))]) == []
    assert tally.honesty([_row(1, "backlash@knee=3 deg", verdicts=(_verdict("pass", true=0.0),))]) == []


def test_versions_are_counted() -> None:
    assert tally.versions([_row(1), _row(2), _row(3, code="d")]) == 2


def test_the_truth_of_normal_seats() -> None:
    """RP / sigma of a million normal landings (ISO 9283:1998, 7.2.2 with distances along one axis)."""
    x = np.random.default_rng(1).normal(size=1_000_000)
    distance = np.abs(x - x.mean())
    assert distance.mean() + 3 * distance.std(ddof=1) == pytest.approx(RP_OF_NORMAL, rel=2e-3)
    assert pytest.approx(sqrt(2 / np.pi) + 3 * sqrt(1 - 2 / np.pi)) == RP_OF_NORMAL


def test_the_truth_follows_the_parts() -> None:
    leg = read_leg(LEG)
    sound = plant_of(leg, default_bench(), 4)

    def of(quantity: str, subject: str, fault: str = "") -> float:
        plant = apply(sound, parse_fault(fault)) if fault else sound
        found = truth(plant, leg, quantity, subject)
        assert found is not None
        return found

    assert of("backlash", "knee", "backlash=1 deg") == pytest.approx(of("backlash", "knee") + radians(1.0))
    # The knee's belt runs over the hip: the play of both motors is felt in its travel.
    assert of("travel_error", "knee", "backlash@hip=1 deg") == pytest.approx(of("travel_error", "knee") + radians(1.0))
    assert of("travel_error", "hip", "backlash@knee=1 deg") == of("travel_error", "hip")
    assert of("holding_torque_ratio", "hip", "torque-constant@hip=-0.2") == pytest.approx(
        of("holding_torque_ratio", "hip") / 0.8
    )
    assert of("telemetry_loss", "leg", "dropped-frames=0.05") == pytest.approx(1 - 0.95**2)
    assert of("carriage_drag", "leg", "dragging-carriage=9 N") == 9.0
    assert truth(sound, leg, "path_residual", "foot") is None


def test_rows_are_plain_json() -> None:
    assert json.loads(json.dumps(_row(1))) == _row(1)
