"""The journal: nothing that was journalled is lost, nothing half written is believed."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.errors import RecordError
from legtest.records.journal import Journal, read_journal
from legtest.records.sink import FrameSink


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """The system refuses to let any file grow beyond that, as a full disk does (EFBIG)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def fill(path: Path, events: int = 5) -> None:
    journal = Journal(path)
    for n in range(events):
        journal.append("note", n * 10, {"text": f"event {n}"})
    journal.append("part_end", 99, {})
    journal.close()


def test_events_come_back(tmp_path: Path) -> None:
    fill(tmp_path / "j")
    events, torn, _ = read_journal(tmp_path / "j")
    assert not torn
    assert [(e.n, e.t_ns, e.kind) for e in events[:2]] == [(0, 0, "note"), (1, 10, "note")]
    assert events[3].body == {"text": "event 3"}
    assert events[-1].kind == "part_end"


def test_an_event_is_with_the_system_before_the_next_statement(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j")
    for n in range(3):
        journal.append("note", 0, {"text": "x"})
        assert len(read_journal(tmp_path / "j").events) == n + 1
    journal.close()


def test_the_same_events_give_the_same_bytes(tmp_path: Path) -> None:
    a, b = Journal(tmp_path / "a"), Journal(tmp_path / "b")
    a.append("note", 1, {"x": 0.1, "y": float("nan")})
    b.append("note", 1, {"y": float("nan"), "x": 0.1})
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    a.close()
    b.close()


@given(st.data())
def test_cut_anywhere_it_still_reads(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    path = tmp_path_factory.mktemp("j") / "j"
    fill(path)
    whole = path.read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(whole[:cut])
    events, torn, _ = read_journal(path)
    lines = whole[:cut].count(b"\n")
    assert len(events) == max(0, lines - 1)
    assert torn == (not whole[:cut].endswith(b"\n") and cut > 0)


def test_a_full_disk_is_an_error_with_the_way_out_and_leaves_whole_lines(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j")
    journal.append("note", 0, {"text": "before"})
    size = (tmp_path / "j").stat().st_size
    with largest_file(size + 20), pytest.raises(RecordError, match=r"/j: the run record cannot be .*--leg-runs DIR"):
        journal.append("note", 0, {"text": "this one does not fit any more"})
    journal.append("note", 0, {"text": "after"})
    journal.close()
    events, torn, _ = read_journal(tmp_path / "j")
    assert [e.body["text"] for e in events] == ["before", "after"]
    assert not torn


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="No such file or directory"):
        Journal(tmp_path / "missing" / "j")
    (tmp_path / "j").write_text("")
    with pytest.raises(RecordError, match="File exists"):
        Journal(tmp_path / "j")


def test_misuse_is_refused(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j")
    with pytest.raises(ValueError, match="no kind of event"):
        journal.append("event", 0, {})
    with pytest.raises(RecordError, match="larger than"):
        journal.append("note", 0, {"text": "x" * 2_000_000})
    journal.close()
    with pytest.raises(RecordError, match="closed"):
        journal.append("note", 0, {})


HEAD = b'{"format":"legtest journal","version":1}\n'


@pytest.mark.parametrize(("content", "message"), [
    (b"hello\n", "j:1: not readable as JSON"),
    (b"[]\n", "j:1: this is not a legtest journal"),
    (HEAD.replace(b"1}", b"7}"), "journal version 7; this legtest reads 1 to 2"),
    (HEAD + b"{}\n", "j:2: not an event"),
    (HEAD + b'{"n":1,"t_ns":0,"kind":"note","body":{}}\n', "j:2: event number 1 where 0 should be"),
    (HEAD + b'{"n":0,"t_ns":0,"kind":"party","body":{}}\n', "j:2: not an event this legtest knows: kind 'party'"),
    (HEAD + b'{"n":0,"t_ns":0,"kind":"note","body":[]}\n', "j:2: not an event this legtest knows"),
    (HEAD + b'{"n":0,"t_\n{"n":0,"t_ns":0,"kind":"note","body":{}}\n', "j:2: not readable as JSON"),
    (HEAD + b"x" * 2_000_000 + b"\n", "j:2: the line is longer than"),
])  # fmt: skip
def test_a_wrong_file_is_named_with_its_line(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "j").write_bytes(content)
    with pytest.raises(RecordError, match=message):
        read_journal(tmp_path / "j")


def test_the_sink_never_raises_while_writing_and_never_loses_silently(tmp_path: Path) -> None:
    sink = FrameSink(tmp_path / "frames.log")
    with largest_file(100_000):
        for _ in range(3000):
            sink.write(b"x" * 99 + b"\n")
        assert sink.problem is not None
        with pytest.raises(RecordError, match=r"frames.log: the run record cannot be written"):
            sink.flush()
    sink.write(b"too late: a hole would shift the frame numbers\n")
    with pytest.raises(RecordError, match=r"frames.log"):
        sink.close()
    kept = (tmp_path / "frames.log").read_bytes()
    assert kept == (b"x" * 99 + b"\n") * 1000
    assert len(kept) + sink.lost == 3000 * 100 + len(b"too late: a hole would shift the frame numbers\n")
    sink.close()


def test_the_sink_hands_over_at_flush(tmp_path: Path) -> None:
    sink = FrameSink(tmp_path / "f")
    sink.write(b"a\n")
    sink.write(b"b\n")
    sink.flush()
    assert (tmp_path / "f").read_bytes() == b"a\nb\n"
    sink.close()
