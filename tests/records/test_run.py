"""A run written and read back, checked, spoilt and interrupted."""

from __future__ import annotations

import json
import multiprocessing
import shutil
from datetime import datetime
from math import radians
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_run import STARTED, SYNC, make_bench, make_leg, make_run

from legtest.errors import RecordError
from legtest.metrology.verdict import Word
from legtest.records.names import is_safe, safe
from legtest.records.part import PartWriter
from legtest.records.reading import read_run, verify
from legtest.records.run import RunWriter, hashes
from legtest.records.trace import trace_of


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("runs"), cycles=60)


@pytest.fixture
def copy(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / finished.name))


def test_folder_and_header(finished: Path) -> None:
    run = read_run(finished)
    assert finished.name == "20310304-050607-tarn-fl-01"
    assert run.complete
    assert run.header.mode == "SIMULATED"
    assert run.header.seed == 1
    assert run.header.legs == (make_leg(),)
    assert run.header.bench == make_bench()
    assert run.leg("") == run.leg("tarn-fl") == make_leg()
    assert run.leg("other") is None
    assert run.header.environment["python"].startswith("3.")
    assert verify(finished) == []


def test_verdicts_and_endings_come_back(finished: Path) -> None:
    run = read_run(finished)
    words = {j.test: j.verdict.word for part in run.parts for j in part.judgements}
    assert words["torque.py::test_holding[tarn-fl-hip]"] is Word.INCONCLUSIVE
    backlash = next(j.verdict for p in run.parts for j in p.judgements if j.verdict.measurement.quantity == "backlash")
    assert backlash.word is Word.FAIL
    assert backlash.measurement.value == radians(0.62)
    assert [end.word for end in run.tests] == [
        "pass", "fail", "inconclusive", "invalid", "pass", "bench error", "not run"
    ]  # fmt: skip


def test_samples_from_the_file_equal_samples_from_the_frame_log(finished: Path) -> None:
    for part in read_run(finished).parts:
        for record in part.segments:
            for span, name in zip(record.segment.spans, record.samples, strict=True):
                kept = part.samples(name)
                assert part.frames_of(name) == (span.first, span.last)
                again = trace_of(part.frames(span.first, span.last), part.wiremaps, part.sync_id, span.first)
                assert (kept.first_frame, kept.last_frame) == (span.first, span.last)
                assert part.sync_id == SYNC
                assert kept.units == again.units
                assert kept.t_ns.tobytes() == again.t_ns.tobytes()
                for column in again.columns:
                    np.testing.assert_array_equal(kept.column(column), again.column(column))


def test_the_same_run_twice_gives_the_same_parts(finished: Path, tmp_path: Path) -> None:
    def parts(folder: Path) -> dict[str, str]:
        return {name: digest for name, digest in hashes(folder).items() if name.startswith("parts/")}

    assert parts(make_run(tmp_path, cycles=60)) == parts(finished)


@pytest.mark.parametrize(
    "pattern", ["parts/*/frames.log", "parts/*/samples.parquet", "parts/*/journal.jsonl", "journal.jsonl"]
)
def test_one_changed_bit_is_found(copy: Path, pattern: str) -> None:
    path = next(copy.glob(pattern))
    content = bytearray(path.read_bytes())
    content[content.index(b"tarn-fl") if b"tarn-fl" in content else len(content) // 2] ^= 1
    path.write_bytes(content)
    assert f"{path.relative_to(copy)}: changed since the run was sealed" in verify(copy)


def test_missing_added_and_torn_files_are_found(copy: Path) -> None:
    part = next((copy / "parts").iterdir())
    (part / "samples.parquet").unlink()
    (part / "extra.txt").write_text("x")
    (copy / "report.html").write_text("made from the record; not part of it")
    problems = verify(copy)
    assert any("missing, though" in p for p in problems)
    assert any("extra.txt: not there" in p for p in problems)
    assert not any("report.html" in p for p in problems)
    journal = part / "journal.jsonl"
    journal.write_bytes(journal.read_bytes()[:-5])
    assert any("cut off" in p for p in verify(copy))
    assert any("no part_end" in p for p in verify(copy))
    shutil.rmtree(part)
    assert sum(part.name in p for p in verify(copy)) >= 3


def test_an_interrupted_run_reads_and_says_so(tmp_path: Path) -> None:
    folder = make_run(tmp_path, cycles=30, seal=False)
    run = read_run(folder)
    assert not run.complete
    assert len(run.parts) == 6
    assert any("not sealed" in p for p in verify(folder))
    (folder / "journal.jsonl").unlink()  # killed before its first line
    for part in (folder / "parts").iterdir():
        (part / "journal.jsonl").unlink()
        break
    assert len(read_run(folder).parts) == 6


def _write_part(folder: Path, name: str) -> None:
    part = PartWriter(folder, name)
    part.begin(leg="tarn-fl", test=name, seed=1, wiremaps=[], sync_id=SYNC)
    part.end(0)


def test_parts_from_other_processes(tmp_path: Path) -> None:
    run = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[make_leg()], bench=make_bench())
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_write_part, args=(run.folder, "same name")) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(30)
    run.seal()
    assert sorted(p.test for p in read_run(run.folder).parts) == ["same name"] * 2
    assert verify(run.folder) == []


def test_two_runs_in_one_second_get_two_folders(tmp_path: Path) -> None:
    names = [make_run(tmp_path, cycles=3).name for _ in range(2)]
    assert names == ["20310304-050607-tarn-fl-01", "20310304-050607-tarn-fl-02"]


def test_a_runs_directory_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError, match=r"cannot be written: .*; free space there or make it writable"):
        RunWriter.create(tmp_path / "file", now=STARTED, mode="LIVE", legs=[make_leg()], bench=make_bench())
    with pytest.raises(ValueError, match="offset from UTC"):
        RunWriter.create(tmp_path, now=datetime(2031, 1, 1), mode="LIVE", legs=[], bench=make_bench())  # noqa: DTZ001


@pytest.mark.parametrize(("change", "message"), [
    ({"version": 4}, "record version 4; this legtest reads 1 to 3"),
    ({"version": True}, "record version True"),
    ({"format": "other"}, "not the record of a legtest run"),
    ({"mode": "REAL"}, r"mode: 'REAL' is not one of 'SIMULATED', 'REHEARSAL', 'LIVE'"),
    ({"legs": [{}]}, r"legs\[0\]\.\w+: this key is missing"),
])  # fmt: skip
def test_a_wrong_header_is_named(copy: Path, change: dict[str, object], message: str) -> None:
    data = json.loads((copy / "run.json").read_text()) | change
    (copy / "run.json").write_text(json.dumps(data))
    with pytest.raises(RecordError, match=message):
        read_run(copy)
    assert verify(copy)


def test_no_run_at_all(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"is .* the folder of a run"):
        read_run(tmp_path)


def test_links_and_foreign_files_are_refused(copy: Path) -> None:
    part = min((copy / "parts").iterdir())
    log = part / "frames.log"
    log.unlink()
    log.symlink_to("/dev/zero")
    with pytest.raises(RecordError, match="not read: a link"):
        read_run(copy).parts[0].frames(0, 1)
    samples = part / "samples.parquet"
    kept = samples.rename(copy / "kept")
    samples.symlink_to(kept)
    with pytest.raises(RecordError, match="not read: a link"):
        read_run(copy).parts[0].samples("0000")
    samples.unlink()
    samples.write_bytes(b"PAR1 not really")
    with pytest.raises(RecordError, match="changed since the run was sealed"):
        read_run(copy).parts[0].samples("0000")
    with pytest.raises(RecordError, match="cannot name samples"):
        read_run(copy).parts[0].samples("../../../etc/passwd")
    with pytest.raises(RecordError, match=r"cannot be read|ends before"):
        read_run(copy).parts[1].frames(0, 10**9)


@given(st.text(max_size=200))
def test_any_text_has_a_safe_name(text: str) -> None:
    assert is_safe(safe(text))
    assert safe(text) == safe(text)
    assert safe(text) == text or not is_safe(text)


def test_names_keep_what_tells_tests_apart() -> None:
    a, b = safe("suites/homing.py::test_homing[tarn-fl-knee]"), safe("suites/homing.py::test_homing[tarn-fl:knee]")
    assert a != b
    assert a.startswith("suites-homing-py-test_homing-tarn-fl-knee-")
