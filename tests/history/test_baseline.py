"""Baselines: named, dated, signed for, and never replaced in silence."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from legtest.errors import RecordError, UsageError
from legtest.history import baseline
from legtest.history.snapshot import snapshot
from legtest.records.encode import dumps, to_json
from legtest.records.reading import Run, read_run
from tests.records.make_run import make_leg, make_run

NOW = datetime(2031, 4, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(make_run(tmp_path_factory.mktemp("runs"), cycles=60))


def keep(run: Run, folder: Path, name: str = "overhaul-2031", **more: object) -> tuple[baseline.Baseline, Path]:
    said = {"by": "M. Osei", "reason": "new belts", "now": NOW} | more
    return baseline.accept(run, folder, name=name, **said)  # type: ignore[arg-type]


def test_it_holds_everything_that_is_compared(run: Run, tmp_path: Path) -> None:
    made, path = keep(run, tmp_path / "b")
    assert path == tmp_path / "b" / "overhaul-2031" / "001.json"
    found = baseline.find(tmp_path / "b", "overhaul-2031")
    assert dumps(to_json(found)) == dumps(to_json(made))
    assert (found.by, found.reason, found.accepted) == ("M. Osei", "new belts", "2031-04-01T12:00:00+00:00")
    assert dumps(to_json(found.snapshot)) == dumps(to_json(snapshot(run)))


@pytest.mark.parametrize("name", ["frames.log", "samples.parquet"])
def test_a_record_with_one_changed_byte_is_no_baseline(run: Run, tmp_path: Path, name: str) -> None:
    """Also in a file that holds none of the values: somebody signs for the whole record."""
    folder = Path(shutil.copytree(run.folder, tmp_path / "runs" / run.folder.name))
    path = next(folder.glob(f"parts/*/{name}"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    with pytest.raises(RecordError, match=r"no baseline: .*" + name):
        keep(read_run(folder), tmp_path / "b")
    assert not (tmp_path / "b").exists()


def test_a_name_is_not_given_again_in_silence_and_the_old_one_stays(run: Run, tmp_path: Path) -> None:
    _, first = keep(run, tmp_path)
    content = first.read_bytes()
    with pytest.raises(UsageError, match=r"overhaul-2031 is 2031.*accepted 2031-04-01 by M\. Osei.*--supersede"):
        keep(run, tmp_path, by="A. Else")
    _, second = keep(run, tmp_path, by="A. Else", supersede=True)
    assert (first.read_bytes(), second.name) == (content, "002.json")
    assert [b.by for b in baseline.acceptances(tmp_path, "overhaul-2031")] == ["M. Osei", "A. Else"]
    assert baseline.find(tmp_path, "overhaul-2031").by == "A. Else"
    assert baseline.names(tmp_path) == ["overhaul-2031"]


@pytest.mark.parametrize(
    "name", ["", ".x", "-x", "a/b", "..", "a b", "a" * 65, "ü", "a\n"]
)
def test_what_is_no_name(run: Run, tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="is no name"):
        keep(run, tmp_path, name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("key", ["by", "reason"])
@pytest.mark.parametrize("text", ["", "  ", "a\nb", "x" * 501, "\u202e"])
def test_it_is_signed_for_with_a_reason(run: Run, tmp_path: Path, key: str, text: str) -> None:
    with pytest.raises(UsageError, match=f"--{key}: one line"):
        keep(run, tmp_path, **{key: text})


def test_only_a_sealed_and_unchanged_record(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no baseline: not sealed"):
        keep(read_run(make_run(tmp_path / "runs", seal=False, cycles=40)), tmp_path / "b")
    folder = make_run(tmp_path / "runs", cycles=40)
    with (folder / "journal.jsonl").open("a") as file:
        file.write('{"body":{"text":"x"},"kind":"note","n":8,"t_ns":0}\n')
    with pytest.raises(RecordError, match="no baseline: the record was changed"):
        keep(read_run(folder), tmp_path / "b")


def test_a_run_stands_for_a_baseline(run: Run, tmp_path: Path) -> None:
    found = baseline.find(tmp_path, str(run.folder))
    assert (found.name, found.snapshot.run) == ("", run.folder.name)
    with pytest.raises(RecordError, match="not compared with: not sealed"):
        baseline.find(tmp_path, str(make_run(tmp_path / "runs", seal=False, cycles=40)))


def test_what_there_is_not(run: Run, tmp_path: Path) -> None:
    keep(run, tmp_path, "a")
    with pytest.raises(UsageError, match=r"'nobody' is neither the folder of a run nor a baseline in .* .there: a."):
        baseline.find(tmp_path, "nobody")
    with pytest.raises(UsageError, match="there is no baseline 'nobody'"):
        baseline.acceptances(tmp_path, "nobody")
    assert baseline.names(tmp_path / "none") == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b'"by":"M. Osei"', b'"by":"S. Else"', "changed since it was accepted"),
        (b'"format":"legtest baseline"', b'"format":"x"', "this is not a legtest baseline"),
        (b'"version":1', b'"version":7', "baseline version 7; this legtest reads 1"),
        (b'"reason":', b'"raison":', "raison"),
        (b"}\n", b"", "not readable as JSON"),
    ],
)
def test_a_file_that_was_changed_is_not_believed(run: Run, tmp_path: Path, old: bytes, new: bytes, said: str) -> None:
    _, path = keep(run, tmp_path)
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new, 1) if old != b"}\n" else content[:-2])
    with pytest.raises(RecordError, match=said):
        baseline.find(tmp_path, "overhaul-2031")


def test_which_runs_of_a_leg_were_accepted(run: Run, tmp_path: Path) -> None:
    keep(run, tmp_path)
    assert baseline.accepted_for(tmp_path, make_leg().name) == {
        snapshot(run).uid: "accepted as overhaul-2031 by M. Osei: new belts"
    }
    assert baseline.accepted_for(tmp_path, "other") == {}
