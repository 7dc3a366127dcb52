"""Single files of a record made to hurt who reads them: too long, too deep, too large, cut off, of another writer."""

from __future__ import annotations

from pathlib import Path

import pytest
from spoil import little_memory

from legtest.errors import RecordError
from legtest.records.encode import MOST_CONTAINERS, MOST_NESTED, loads
from legtest.records.framelog import LONGEST_LINE, extent, read_frames
from legtest.records.journal import LARGEST_LINE, read_journal
from legtest.records.part import PartWriter
from legtest.records.reading import Part

HEAD = b'{"format":"legtest journal","version":1}\n'


# ------------------------------------------------------------------ JSON
@pytest.mark.parametrize(("text", "message"), [
    ('{"a":1,"a":2}', "the key 'a' stands there twice"),
    ('{"x":{"word":"fail","word":"pass"}}', "the key 'word' stands there twice"),
    ("1e999", "too large a number"), ("-1e999", "too large a number"),
    (str(2**64), "too large a number"), ("9" * 5000, "not readable as JSON"), ("NaN", "NaN is not JSON"),
    ("[" * (MOST_NESTED + 1) + "]" * (MOST_NESTED + 1), "more than 32 levels"),
    ('{"a":' * 40 + "1" + "}" * 40, "more than 32 levels"), ("[" * 100_000, "more than 50000 lists"),
    ("[" * 40_000, "not readable as JSON"), ("[" + "[]," * MOST_CONTAINERS + "[]]", "more than 50000 lists"),
    (b"\xff\xfe[\x00", "not readable as JSON"), (b"\xed\xa0\x80", "not readable as JSON"),
])  # fmt: skip
def test_json_that_is_made_to_hurt(text: str | bytes, message: str) -> None:
    with little_memory(8 << 20), pytest.raises(RecordError, match=f"file:3: .*{message}"):
        loads(text, "file:3")


def test_json_at_its_limits_is_read() -> None:
    assert loads("[" * MOST_NESTED + "]" * MOST_NESTED, "x")
    assert loads(str(2**64 - 1), "x") == 2**64 - 1
    assert loads("[" + ",".join(["[]"] * (MOST_CONTAINERS - 1)) + "]", "x")


# ------------------------------------------------------------------ journal, frame log
def test_a_journal_line_of_100_MB(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with path.open("wb") as file:
        file.write(HEAD)
        file.truncate(100 << 20)
    with little_memory(8 << 20), pytest.raises(RecordError, match=r"journal.jsonl:2: the line is longer than 1048576"):
        read_journal(path)


def test_a_journal_of_too_many_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legtest.records.journal.MOST_EVENTS", 3)
    path = tmp_path / "journal.jsonl"
    path.write_bytes(HEAD + b"".join(b'{"n":%d,"t_ns":0,"kind":"note","body":{}}\n' % n for n in range(4)))
    with pytest.raises(RecordError, match="more than 67108864 bytes or 3 events"):
        read_journal(path)
    monkeypatch.setattr("legtest.records.journal.MOST_EVENTS", 4)
    assert len(read_journal(path).events) == 4


def test_a_whole_line_is_never_half_of_one(tmp_path: Path) -> None:
    """Cut inside its data, a frame would still look like one."""
    path = tmp_path / "frames.log"
    whole = b"(0.001000000) can0 182#3704A1F0FFFF1200 R\n"
    for cut in range(1, len(whole)):
        path.write_bytes(whole * 2 + whole[:-cut])
        assert extent(path) == (2, cut < len(whole))
        assert len(read_frames(path, 0, 2)) == 2
        with pytest.raises(RecordError, match="before frame 3: 2 of 3 frames are there; its last line was cut"):
            read_frames(path, 0, 3)
    path.write_bytes(whole * 3)
    assert extent(path) == (3, False)


def test_a_frame_log_line_without_an_end(tmp_path: Path) -> None:
    path = tmp_path / "frames.log"
    with path.open("wb") as file:
        file.truncate(300 << 20)
    with little_memory(8 << 20), pytest.raises(RecordError, match=f"longer than {LONGEST_LINE} bytes"):
        read_frames(path, 0, 1)
    with little_memory(8 << 20):
        assert extent(path) == (0, True)


@pytest.mark.parametrize(("first", "last"), [(-1, 3), (3, 2), (0, 10**30), (0, 8_000_001)])
def test_stretches_of_frames_that_cannot_be(tmp_path: Path, first: int, last: int) -> None:
    (tmp_path / "frames.log").write_bytes(b"")
    with pytest.raises(RecordError, match="cannot be read"):
        read_frames(tmp_path / "frames.log", first, last)


def test_limits_are_those_of_the_writer(tmp_path: Path) -> None:
    """What we write ourselves is never too large to be read."""
    (tmp_path / "parts").mkdir()
    part = PartWriter(tmp_path, "p")
    part.begin(leg="tarn-fl", test="t", seed=2**64 - 1, wiremaps=[], sync_id=128)
    room = LARGEST_LINE - 80
    part.note(0, "x" * room)
    with pytest.raises(RecordError, match="larger than"):
        part.note(0, "x" * (room + 100))
    part.end(0)
    contents = read_journal(part.folder / "journal.jsonl")
    assert not contents.torn
    assert len(Part(part.folder, contents.events, contents.torn).events) == 3
