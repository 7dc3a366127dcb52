"""Records that earlier legtests wrote: read, verified, replayed and reported like new ones.

older/version-1 and older/version-2 were written by the last legtest of each version, from the same made-up run.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from legtest.errors import RecordError
from legtest.metrology.verdict import Word
from legtest.records.reading import read_run, verify
from legtest.records.trace import trace_of
from legtest.reports.junit import junit_xml
from legtest.reports.rows import sheet

OLDER = sorted((Path(__file__).parent / "older").iterdir())


@pytest.mark.parametrize("folder", OLDER, ids=lambda folder: folder.name)
def test_it_is_whole(folder: Path) -> None:
    assert verify(folder) == []
    run = read_run(folder)
    assert run.complete
    assert folder.name == f"version-{run.header.version}"
    assert [end.word for end in run.tests] == ["fail", "inconclusive"]
    words = [j.verdict.word for part in run.parts for j in part.judgements]
    assert words == [Word.FAIL, Word.INCONCLUSIVE, Word.INCONCLUSIVE] or Word.FAIL in words
    assert sheet(run).word
    assert b"tarn-fl" in junit_xml(run).encode() if isinstance(junit_xml(run), str) else junit_xml(run)


@pytest.mark.parametrize("folder", OLDER, ids=lambda folder: folder.name)
def test_its_samples_are_those_of_its_frames(folder: Path) -> None:
    for part in read_run(folder).parts:
        (record,) = part.segments
        (name,) = record.samples
        assert part.rows == {}
        kept = part.samples(name)
        first, last = part.frames_of(name)
        again = trace_of(part.frames(first, last), part.wiremaps, part.sync_id, first)
        assert len(kept) == 25
        assert kept.t_ns.tolist() == again.t_ns.tolist()
        for column in again.columns:
            np.testing.assert_array_equal(kept.column(column), again.column(column))
        assert list(part.samples(name, ["knee.torque"]).columns) == ["knee.torque"]


@pytest.mark.parametrize("folder", OLDER, ids=lambda folder: folder.name)
def test_its_seal_still_holds(folder: Path, tmp_path: Path) -> None:
    run = Path(shutil.copytree(folder, tmp_path / folder.name))
    samples = next(run.glob("parts/*/samples/*"))
    content = bytearray(samples.read_bytes())
    content[100] ^= 1
    samples.write_bytes(content)
    assert any("changed since the run was sealed" in problem for problem in verify(run))
    with pytest.raises(RecordError, match="changed since the run was sealed"):
        next(part for part in read_run(run).parts if part.folder in samples.parents).samples(samples.name)


def test_a_header_cannot_be_made_older_to_lose_its_seal(tmp_path: Path) -> None:
    run = Path(shutil.copytree(OLDER[1], tmp_path / "run"))
    data = json.loads((run / "run.json").read_text())
    (run / "run.json").write_text(json.dumps(data | {"version": 1, "mode": "LIVE"}))
    with pytest.raises(RecordError, match=r"run\.json: changed since the run was sealed"):
        read_run(run)


@pytest.mark.parametrize(("spoilt", "message"), [
    (b"", "no Parquet file"), (b"PAR1" * 5, "no Parquet file|cut off|not a file of samples"),
])  # fmt: skip
def test_a_file_of_samples_that_is_none(tmp_path: Path, spoilt: bytes, message: str) -> None:
    run = Path(shutil.copytree(OLDER[1], tmp_path / "run"))
    data = json.loads((run / "run.json").read_text()) | {"sealed": None}
    (run / "run.json").write_text(json.dumps(data))
    path = next(run.glob("parts/*/samples/*"))
    path.write_bytes(spoilt)
    with pytest.raises(RecordError, match=message):
        next(part for part in read_run(run).parts if part.folder in path.parents).samples(path.name)
