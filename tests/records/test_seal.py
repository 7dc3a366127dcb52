"""What the seal covers, and that nothing without one, or with one that does not fit, ever claims a pass."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from make_run import STARTED, Filling, make_bench, make_leg
from spoil import place

from legtest.cli.main import main
from legtest.errors import RecordError
from legtest.records.part import PartWriter
from legtest.records.reading import read_run, unsealed_runs, verify
from legtest.records.run import RunWriter, digest_of
from legtest.records.samples import seal_samples
from legtest.records.stream import StreamWriter


# ------------------------------------------------------------------ the seal and the header
def header(run: Path, edit: Callable[[dict[str, Any]], object], *, again: bool = False) -> None:
    """Edit run.json; again: with a seal that fits the edited header."""
    data = json.loads((run / "run.json").read_text())
    edit(data)
    if again:
        data["sealed"]["run.json"] = digest_of(data)
    (run / "run.json").write_text(json.dumps(data))


@pytest.mark.parametrize("edit", [
    lambda data: data.update(mode="LIVE"),
    lambda data: data.update(started="2031-03-05T05:06:07+00:00"),
    lambda data: data["faults"].append("none"),
    lambda data: data["legs"][0]["criteria"]["leg"]["backlash"].update(high=1.0),
    lambda data: data["legs"][0].update(sha256="b" * 64),
    lambda data: data["bench"]["stand"].update(sha256="a" * 64),
    lambda data: data["sealed"].pop("run.json"),
    lambda data: data["sealed"].update({"run.json": "0" * 64}),
])  # fmt: skip
def test_the_header_is_under_the_seal(run: Path, edit: Callable[[dict[str, Any]], object]) -> None:
    header(run, edit)
    with pytest.raises(RecordError, match=r"run\.json: changed since the run was sealed"):
        read_run(run)
    assert verify(run)
    assert CliRunner().invoke(main, ["report", str(run)]).exit_code == 1


def test_a_header_written_with_other_spaces_is_the_same(run: Path) -> None:
    header(run, lambda data: None)
    assert verify(run) == []


def described(runs: Path, *, seal: bool = True, leg_text: bytes = b"leg: tarn-fl\n", **wrong: bytes) -> Path:
    """A run of one part that keeps its description files, some of them other than the header says."""
    texts = {"leg.yaml": leg_text, "bench.yaml": b"bench: b\n", "stand.yaml": b"stand: s\n"}
    digests = {name: sha256(text).hexdigest() for name, text in texts.items()}
    stand = replace(make_bench().stand, sha256=digests["stand.yaml"])
    bench = replace(make_bench(), sha256=digests["bench.yaml"], stand=stand)
    leg = replace(make_leg(), sha256=digests["leg.yaml"])
    writer = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[leg], bench=bench, seed=1)
    filling = Filling(writer.part("t"), leg, "t")
    for name, text in texts.items():
        filling.part.save_description(name, wrong.get(name.partition(".")[0], text))
    filling.part.end(0)
    writer.test_end("t", "pass", leg=leg.name, seconds=0.1)
    if seal:
        writer.seal()
    else:
        writer.close()
    return writer.folder


@pytest.mark.parametrize("name", ["leg", "bench", "stand"])
@pytest.mark.parametrize("seal", [True, False])
def test_a_description_that_is_not_the_one_of_the_header(tmp_path: Path, name: str, seal: bool) -> None:
    folder = described(tmp_path, seal=seal, **{name: b"another: file\n"})
    message = f"parts/t/descriptions/{name}.yaml"
    assert any(message in problem and "not the file that the run's description was made" in problem
               for problem in verify(folder))  # fmt: skip
    if seal:
        with pytest.raises(RecordError, match="is not the file that the run's description was made from"):
            read_run(folder)


def test_the_same_descriptions_are_no_problem(tmp_path: Path) -> None:
    assert verify(described(tmp_path)) == []


def test_a_file_that_changed_since_it_was_read_is_not_kept_as_the_one_used(tmp_path: Path) -> None:
    part = PartWriter(tmp_path, "p") if (tmp_path / "parts").mkdir() is None else None
    assert part is not None
    with pytest.raises(RecordError, match=r"leg\.yaml has changed since this run read it"):
        part.save_description("leg.yaml", b"new", read_as=sha256(b"old").hexdigest())
    assert not (part.folder / "descriptions" / "leg.yaml").exists()
    part.save_description("leg.yaml", b"old", read_as=sha256(b"old").hexdigest())
    assert (part.folder / "descriptions" / "leg.yaml").read_bytes() == b"old"


def edited(run: Path, what: str) -> None:
    """A pass where there was a fail, in the journal or in the samples behind it."""
    if what == "journal":
        path = next(p for p in run.glob("parts/*/journal.jsonl") if b'"word":"fail"' in p.read_bytes())
        path.write_bytes(path.read_bytes().replace(b'"word":"fail"', b'"word":"pass"'))
    elif what == "endings":
        (run / "journal.jsonl").write_bytes((run / "journal.jsonl").read_bytes().replace(b'"fail"', b'"pass"'))
    elif what == "missing":
        shutil.rmtree(place(run, "part"))
    else:
        part = PartWriter(run, "added")
        part.begin(leg="tarn-fl", test="added", seed=1, wiremaps=[], sync_id=128)
        part.end(0)


@pytest.mark.parametrize("what", ["journal", "endings", "missing", "added"])
def test_an_edited_record_is_an_error_in_every_report(run: Path, what: str) -> None:
    edited(run, what)
    read = read_run(run)
    assert not read.complete
    assert "was changed after it was sealed, and counts as failed" in read.problem
    done = CliRunner().invoke(main, ["report", str(run)])
    assert done.exit_code == 1
    assert "was changed after it was sealed" in done.stderr
    assert b"Record the record was changed" in (run / "report.html").read_bytes()
    assert "error" in (run / "summary.md").read_text().splitlines()[0]
    assert '<testcase name="record"' in (run / "junit.xml").read_text()
    assert CliRunner().invoke(main, ["verify", str(run)]).exit_code == 1
    assert CliRunner().invoke(main, ["replay", str(run)]).exit_code == 1


def test_samples_that_are_not_those_sealed_are_not_shown(run: Path) -> None:
    path = place(run, "sample")
    part = next(part for part in read_run(run).parts if part.folder in path.parents)
    other = part.samples("0000")
    path.unlink()
    stream = StreamWriter(part.folder)
    stream.movement().add(replace(other, columns={n: c * 0 for n, c in other.columns.items()}), other.sync * 0)
    stream.close()
    seal_samples(part.folder)
    with pytest.raises(RecordError, match="changed since the run was sealed"):
        part.samples("0000")


# ------------------------------------------------------------------ unsealed
def passing(runs: Path, *, seal: bool) -> Path:
    """A run in which every test passed."""
    writer = RunWriter.create(runs, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    writer.test_end("t.py::test_it", "pass", leg="tarn-fl", seconds=0.1)
    if seal:
        writer.seal()
    else:
        writer.close()
    return writer.folder


def test_without_a_seal_nothing_passed(tmp_path: Path) -> None:
    folder = passing(tmp_path, seal=False)
    for command in ("verify", "replay", "report"):
        done = CliRunner().invoke(main, [command, str(folder)])
        assert done.exit_code == 1, command
        assert "not sealed" in done.stderr, command
    junit = (folder / "junit.xml").read_text()
    assert 'errors="1"' in junit
    assert '<error type="interrupted" message="not sealed: the run was interrupted' in junit
    assert "interrupted" in (folder / "summary.md").read_text().splitlines()[0]
    assert b"Record not sealed" in (folder / "report.html").read_bytes()


def test_with_a_seal_it_did(tmp_path: Path) -> None:
    folder = passing(tmp_path, seal=True)
    assert CliRunner().invoke(main, ["verify", str(folder)]).exit_code == 0
    assert CliRunner().invoke(main, ["report", str(folder)]).exit_code == 0
    assert 'errors="0"' in (folder / "junit.xml").read_text()
    assert "record" not in (folder / "junit.xml").read_text()


def test_unsealed_runs_are_found_by_their_headers_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert unsealed_runs(tmp_path / "none") == []
    assert unsealed_runs(tmp_path) == []
    passing(tmp_path, seal=True)
    left = passing(tmp_path, seal=False)
    broken = tmp_path / "20310304-050607-tarn-fl-09"
    broken.mkdir()
    (tmp_path / "study.jsonl").write_text("")
    (tmp_path / "other").mkdir()
    (tmp_path / ".20310304-050607-tarn-fl-77").mkdir()
    monkeypatch.setattr("legtest.records.reading.read_journal", lambda *_: pytest.fail("a journal was read"))
    assert unsealed_runs(tmp_path) == [left, broken]
    with pytest.raises(RecordError, match="cannot be read"):
        unsealed_runs(tmp_path / "study.jsonl")


def test_verify_all_is_for_the_end_of_a_build(tmp_path: Path) -> None:
    def verify_all() -> tuple[int, str]:
        done = CliRunner().invoke(main, ["verify", "--all", str(tmp_path)])
        return done.exit_code, done.output

    assert verify_all() == (1, f"{tmp_path}: no run is in this folder\n")
    passing(tmp_path, seal=True)
    assert verify_all() == (0, f"{tmp_path}: every run is sealed\n")
    left = passing(tmp_path, seal=False)
    assert verify_all() == (1, f"{left}: not sealed: interrupted or still running\n")


def test_sealed_names_that_lead_out_are_only_compared(run: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    digest = sha256(b"x").hexdigest()
    header(run, lambda data: data["sealed"].update({"../../secret": digest, "/etc/passwd": digest}), again=True)
    problems = verify(run)
    assert problems == [f"{n}: missing, though the run was sealed with it" for n in ("../../secret", "/etc/passwd")]
