"""A part evaluated again from its frames: what is the same is called the same, and every change is found."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from legtest.description.model import LegDescription
from legtest.description.setup import SetUp
from legtest.errors import MeasurementInvalid, RecordError
from legtest.metrology.combine import measurement
from legtest.metrology.decision import decide
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.verdict import Verdict
from legtest.procedures.base import Declaration
from legtest.records.encode import dumps, from_json, to_json
from legtest.records.reading import read_run
from legtest.records.recorded import Recorded
from legtest.records.run import RunWriter, sha256_of
from legtest.records.samples import seal_samples
from legtest.records.stream import StreamWriter
from legtest.replay import Replayed, replay, replay_part
from tests.records.make_run import STARTED, Filling, make_bench, make_leg

TEST = "gears.py::test_play[tarn-fl-knee]"


def mean_angle(recorded: Recorded) -> tuple[Measurement, ...]:
    """An evaluation that every bit of the position frames goes into."""
    position = recorded.trace("sweep").column(f"{recorded.joint.name}.position")
    budget = (BudgetLine("scatter", float(position.std()) * recorded.arguments["factor"]),)
    return (measurement("backlash", recorded.joint.name, float(abs(position).mean()), budget, reference="internal"),)


def nothing_to_move(*_: object) -> Recorded:
    raise NotImplementedError


PLAY = Declaration(
    "play", "play", "the mean of the angle", ("backlash",), True, (SetUp.CLAMPED,), 1, "hanging", "internal", 2.0,
    nothing_to_move, mean_angle,
)  # fmt: skip


def write_part(runs: Path, leg: LegDescription, **arguments: float) -> Path:
    """A run with one part: two movements in one test, each measured and judged, and a value of the user's own."""
    run = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), seed=1)
    filling = Filling(run.part(TEST), leg, TEST)
    for cycles in (60, 90):
        first = filling.frames
        trace = filling.move("play", "knee", cycles, method="", **(arguments or {"factor": 0.01}))
        frames = filling.part.folder / "frames.log"
        assert len(frames.read_bytes().splitlines()) == trace.last_frame
        segment = read_run(run.folder).parts[0].segments[-1].segment
        recorded = Recorded(
            segment, leg, filling.maps, 0x80, read_run(run.folder).parts[0].frames(first, trace.last_frame), first
        )
        if "factor" in segment.arguments:
            filling.judge(*mean_angle(recorded))
    filling.judge(measurement("travel_error", "knee", 0.001, (BudgetLine("guess", 1e-4),), reference="external"))
    filling.part.save_description("tarn-fl.yaml", b"leg: tarn-fl\n")
    filling.part.end(0)
    run.seal()
    return filling.part.folder


@pytest.fixture
def leg() -> LegDescription:
    from hashlib import sha256

    return replace(make_leg(), sha256=sha256(b"leg: tarn-fl\n").hexdigest())


@pytest.fixture
def part(tmp_path: Path, leg: LegDescription) -> Path:
    return write_part(tmp_path, leg)


def again(folder: Path, procedure: Declaration = PLAY) -> Replayed:
    run = read_run(folder.parent.parent)
    return replay_part(run.parts[0], run.leg(run.parts[0].leg), {procedure.name: procedure})


def edit(folder: Path, change: Callable[[str], str], file: str = "journal.jsonl") -> None:
    path = folder / file
    before = path.read_text()
    after = change(before)
    assert after != before
    path.write_text(after)


def test_an_untouched_part_is_the_same(part: Path) -> None:
    result = again(part)
    assert (result.measurements, result.verdicts, result.differences) == (2, 3, [])
    assert result.others == ["knee travel_error"]


def test_one_changed_digit_of_a_measurement_is_a_difference(part: Path) -> None:
    def tenth_digit(text: str) -> str:
        lines = text.splitlines(keepends=True)
        number = next(n for n, line in enumerate(lines) if '"kind":"measurement"' in line)
        digit = re.compile(r'("value":\d\.\d{9})(\d)')
        lines[number] = digit.sub(lambda m: m[1] + str((int(m[2]) + 1) % 10), lines[number], count=1)
        return "".join(lines)

    edit(part, tenth_digit)
    (difference,) = again(part).differences
    assert difference.what == "knee backlash"
    assert difference.test == TEST
    assert difference.journalled != difference.again
    assert f"journal.jsonl:{difference.line}: {TEST}: knee backlash differs" in str(difference)
    assert json.loads(difference.again)["quantity"] == "backlash"


def test_one_changed_bit_of_a_frame_is_a_difference(part: Path) -> None:
    # 0x183 carries the knee's position in bytes 2 to 5.
    position = re.compile(r"( 183#[0-9A-F]{4})([0-9A-F])")
    edit(part, lambda text: position.sub(lambda m: m[1] + f"{int(m[2], 16) ^ 1:X}", text, count=1), "frames.log")
    assert [d.what for d in again(part).differences] == ["samples 0000", "knee backlash"]


def test_one_changed_argument_is_a_difference(part: Path) -> None:
    edit(part, lambda text: text.replace('"factor":0.01', '"factor":0.02'))
    assert [d.what for d in again(part).differences] == ["knee backlash", "knee backlash"]


def test_another_verdict_on_the_same_value_is_a_difference(part: Path) -> None:
    edit(part, lambda text: text.replace('"word":"fail"', '"word":"pass"', 1))
    (difference,) = again(part).differences
    assert difference.what == "verdict on knee backlash"


def test_a_verdict_on_a_value_that_was_not_measured_is_a_difference(part: Path) -> None:
    """Even one that is decided rightly."""
    path = part / "journal.jsonl"
    lines = path.read_text().splitlines(keepends=True)
    number = next(n for n, line in enumerate(lines) if '"kind":"verdict"' in line)
    leg = read_run(part.parent.parent).header.legs[0]
    event = json.loads(lines[number])
    verdict = from_json(Verdict, event["body"]["verdict"])
    event["body"]["verdict"] = to_json(decide(replace(verdict.measurement, value=0.001), verdict.limit, leg.decision))
    lines[number] = dumps(event) + "\n"
    path.write_text("".join(lines))
    (difference,) = again(part).differences
    assert "not measured" in difference.again


def test_another_evaluation_is_a_difference(part: Path) -> None:
    def doubled(recorded: Recorded) -> tuple[Measurement, ...]:
        (m,) = mean_angle(recorded)
        return (replace(m, value=2 * m.value),)

    assert len(again(part, replace(PLAY, evaluate=doubled)).differences) == 2


def test_an_evaluation_that_measures_nothing_any_more_is_a_difference(part: Path) -> None:
    result = again(part, replace(PLAY, evaluate=lambda recorded: ()))
    assert [d.again for d in result.differences] == ["no such measurement"] * 2


@pytest.mark.parametrize("error", [MeasurementInvalid("it slipped"), KeyError("factor"), ZeroDivisionError("u")])
def test_an_evaluation_that_fails_is_a_difference(part: Path, error: Exception) -> None:
    def fails(recorded: Recorded) -> tuple[Measurement, ...]:
        raise error

    result = again(part, replace(PLAY, evaluate=fails))
    assert len(result.differences) == 2
    assert f"cannot be evaluated: {type(error).__name__}" in result.differences[0].again


def test_a_movement_of_the_whole_leg_is_not_taken_for_one_of_a_joint(part: Path) -> None:
    """A procedure's name on a movement of another kind (preparation, homing) does not make it the procedure's."""
    result = again(part, replace(PLAY, per_joint=False))
    assert (result.measurements, len(result.others)) == (0, 3)


def test_samples_that_are_missing_are_a_clear_error(part: Path) -> None:
    (part / "samples.parquet").unlink()
    with pytest.raises(RecordError, match="the samples are missing"):
        again(part)


def test_samples_that_are_not_those_of_the_frames_are_an_error(tmp_path: Path, leg: LegDescription) -> None:
    """The seal was made anew: nothing but the frames themselves tells."""
    part = write_part(tmp_path, leg)
    run, name = part.parents[1], f"parts/{part.name}/samples.parquet"
    stream = StreamWriter(part)
    for n, more_Nm in enumerate((0.0, 1e-12)):
        old = read_run(run).parts[0].samples(f"{n:04d}")
        columns = dict(old.columns) | {"knee.torque": old.columns["knee.torque"] + more_Nm}
        stream.movement().add(replace(old, columns=columns), old.sync * 0)
    stream.close()
    seal_samples(part)
    header = json.loads((run / "run.json").read_text())
    header["sealed"][name] = sha256_of(part / "samples.parquet")
    (run / "run.json").write_text(json.dumps(header))
    (difference,) = again(part).differences
    assert (difference.what, difference.again) == ("samples 0001", "other samples come of its frames")


@pytest.mark.parametrize(
    ("file", "old", "new", "complaint"),
    [
        ("journal.jsonl", r'"last":\d+', '"last":999999', "ends before frame 999999"),
        ("journal.jsonl", r'"first":0,', '"first":-5,', "cannot be frames -5"),
        ("journal.jsonl", r'"joint":"knee"', '"joint":"ankle"', "has no joint 'ankle'"),
        ("journal.jsonl", r'"quantity":"backlash"', '"quantity":7', "measurement.quantity: '7' is not"),
        ("journal.jsonl", r'"segment":\{', '"segment":{"more":1,', "segment.more"),
        ("frames.log", r"183#[0-9A-F]{16}", "183#00", "cannot be decoded"),
        ("frames.log", r"183#", "nonsense", "not a frame"),
        ("descriptions/tarn-fl.yaml", "tarn", "tern", "no file in it is the one"),
    ],
)
def test_what_cannot_be_read_is_a_clear_error(part: Path, file: str, old: str, new: str, complaint: str) -> None:
    edit(part, lambda text: re.sub(old, new, text, count=1), file)
    with pytest.raises(RecordError, match=re.escape(complaint)) as caught:
        again(part)
    assert str(part) in str(caught.value)


def test_an_argument_that_is_missing_is_a_difference_and_no_crash(tmp_path: Path, leg: LegDescription) -> None:
    part = write_part(tmp_path, leg, other=1.0)
    assert again(part).differences == []
    assert again(part).measurements == 0


def test_a_leg_that_the_run_does_not_describe(part: Path) -> None:
    with pytest.raises(RecordError, match="is not described in run"):
        replay_part(read_run(part.parent.parent).parts[0], None)


def test_a_part_that_holds_nothing_to_compare_is_not_called_the_same(part: Path) -> None:
    with pytest.raises(RecordError, match="nothing to compare"):
        replay(part)  # its procedure is none of the built-in ones
    with pytest.raises(RecordError, match="no such part"):
        replay(part.parent / "other")
