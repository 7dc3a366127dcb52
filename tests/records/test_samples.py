"""Samples of a part: what is written is read, wherever the stream is cut, and nothing in a file can make it grow."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_run import SYNC, make_frames, make_wiremap
from pyarrow import parquet
from spoil import little_memory

from legtest.errors import RecordError
from legtest.records.samples import FORMAT, INDEX, SEALED, STREAM, SampleFile, seal_samples
from legtest.records.segment import Rows
from legtest.records.stream import StreamWriter
from legtest.records.trace import Trace, trace_of

MAPS = [make_wiremap("knee", 3)]


def movement(cycles: int, first: int = 0) -> Trace:
    return trace_of(make_frames(MAPS, cycles, seed=first), MAPS, SYNC, first)


def write(folder: Path, *cycles: int, at_once: int = 40) -> list[tuple[Trace, Rows]]:
    """A stream of movements in blocks of so many rows."""
    stream = StreamWriter(folder)
    made = []
    for n, count in enumerate(cycles):
        trace = movement(count, 10_000 * n)
        kept = stream.movement()
        for begin in range(0, max(count, 1), at_once):
            rows = trace.rows(slice(begin, begin + at_once))
            kept.add(rows, np.full(len(rows), n - 1))
        made.append((trace, kept.kept(trace.first_frame, trace.last_frame)))
    stream.close()
    return made


def same(a: Trace, b: Trace) -> bool:
    return (
        a.t_ns.tobytes() == b.t_ns.tobytes()
        and a.sync.tolist() == b.sync.tolist()
        and dict(a.units) == dict(b.units)
        and (a.first_frame, a.last_frame) == (b.first_frame, b.last_frame)
        and list(a.columns) == list(b.columns)
        and all(a.columns[name].tobytes() == b.columns[name].tobytes() for name in a.columns)
    )


@pytest.mark.parametrize("sealed", [False, True])
def test_every_movement_comes_back_to_the_bit(tmp_path: Path, sealed: bool) -> None:
    made = write(tmp_path, 100, 0, 33, 41)
    if sealed:
        seal_samples(tmp_path)
        assert not (tmp_path / STREAM).exists()
    with SampleFile.open(tmp_path / (SEALED if sealed else STREAM)) as file:
        assert (file.rows, file.torn) == (174, False)
        for trace, kept in made:
            assert same(file.trace(kept), trace)
        trace, kept = made[2]
        some = file.trace(kept, ["knee.torque"])
        assert list(some.columns) == ["knee.torque"]
        assert some.column("knee.torque").tobytes() == trace.column("knee.torque").tobytes()
        assert some.units == {"knee.torque": "N*m"}
        with pytest.raises(RecordError, match=r"samples\.\w+: no column 'knee.x'; there are knee\.statusword"):
            file.trace(kept, ["knee.x"])


def test_other_programs_read_both_files(tmp_path: Path) -> None:
    (trace, _), _ = write(tmp_path, 90, 20)
    with pa.ipc.open_stream(tmp_path / STREAM) as reader:
        table = reader.read_all()
    seal_samples(tmp_path)
    again = parquet.read_table(tmp_path / SEALED)
    assert again.schema.equals(table.schema, check_metadata=True)
    for name in table.column_names:
        np.testing.assert_array_equal(again[name].to_numpy(), table[name].to_numpy())
    assert table.schema.field("knee.position").metadata == {b"unit": b"rad"}
    assert table.schema.field("t").metadata == {b"unit": b"ns"}
    assert table["segment"].to_pylist() == [0] * 90 + [1] * 20
    assert table["span"].to_pylist() == [-1] * 90 + [0] * 20
    np.testing.assert_array_equal(table["knee.position"].to_numpy()[:90], trace.column("knee.position"))
    column = parquet.ParquetFile(tmp_path / SEALED).metadata.row_group(0).column(4)
    assert column.compression == "ZSTD"


def cuts(whole: bytes) -> list[int]:
    """Every place near the beginning of a message, and some others."""
    near = [n for n in range(len(whole)) if whole[n : n + 4] == b"\xff\xff\xff\xff"]
    every = {n + k for n in [*near, len(whole)] for k in range(-12, 13)} | set(range(0, len(whole), 211))
    return sorted(n for n in every if 0 <= n <= len(whole))


def test_a_stream_cut_at_any_byte_is_read_up_to_its_last_whole_block(tmp_path: Path) -> None:
    ((trace, kept),) = write(tmp_path, 60, at_once=10)
    whole = (tmp_path / STREAM).read_bytes()
    path = tmp_path / "cut" / STREAM
    path.parent.mkdir()
    seen = set()
    for cut in cuts(whole):
        path.write_bytes(whole[:cut])
        with SampleFile.open(path) as file:
            seen.add(file.rows)
            assert file.rows % 10 == 0
            if file.rows:
                part = file.trace(kept._replace(rows=file.rows))
                assert part.t_ns.tolist() == trace.t_ns[: file.rows].tolist()
            with pytest.raises(RecordError, match="rows, but movement 0000 ends with row 61"):
                file.trace(kept._replace(rows=61))
    assert seen == {0, 10, 20, 30, 40, 50, 60}


def test_half_a_block_is_told(tmp_path: Path) -> None:
    write(tmp_path, 20, at_once=10)
    whole = (tmp_path / STREAM).read_bytes()
    torn = []
    for cut in cuts(whole):
        (tmp_path / STREAM).write_bytes(whole[:cut])
        with SampleFile.open(tmp_path / STREAM) as file:
            torn.append(file.torn)
    assert torn.count(False) == 5  # nothing, the schema, one block, two, and the end of the stream


@given(st.data())
@settings(max_examples=12, deadline=None)
def test_any_movements_in_any_blocks(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    folder = tmp_path_factory.mktemp("any")
    cycles = data.draw(st.lists(st.integers(0, 70), min_size=1, max_size=6))
    made = write(folder, *cycles, at_once=data.draw(st.integers(1, 80)))
    with SampleFile.open(folder / STREAM) as file:
        assert all(same(file.trace(kept), trace) for trace, kept in made)
    seal_samples(folder)
    with SampleFile.open(folder / SEALED) as file:
        assert all(same(file.trace(kept), trace) for trace, kept in made)


def test_groups_of_rows_end_with_a_movement_where_they_can(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legtest.records.samples._GROUP", 50)
    monkeypatch.setattr("legtest.records.samples.MOST_ROWS", 80)
    made = write(tmp_path, 30, 30, 200, 10, at_once=10)
    seal_samples(tmp_path)
    about = parquet.ParquetFile(tmp_path / SEALED).metadata
    assert [about.row_group(n).num_rows for n in range(about.num_row_groups)] == [60, 80, 80, 50]
    with SampleFile.open(tmp_path / SEALED) as file:
        assert all(same(file.trace(kept), trace) for trace, kept in made)


def test_a_full_disk_takes_nothing_from_what_was_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = StreamWriter(tmp_path)
    kept = stream.movement()
    trace = movement(20)
    kept.add(trace, trace.sync * 0)
    size = (tmp_path / STREAM).stat().st_size
    import os

    real = os.write

    def full(fd: int, data: bytes) -> int:
        real(fd, bytes(data[:100]))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    for _ in range(2):
        with pytest.raises(RecordError, match=r"samples\.arrows: the run record cannot be written: No space left"):
            kept.add(trace, trace.sync * 0)
    monkeypatch.undo()
    stream.close()
    assert (tmp_path / STREAM).stat().st_size == size
    with SampleFile.open(tmp_path / STREAM) as file:
        assert (file.rows, file.torn) == (20, False)
    seal_samples(tmp_path)
    with SampleFile.open(tmp_path / SEALED) as file:
        assert same(file.trace(kept.kept(trace.first_frame, trace.last_frame)), trace)


def test_a_seal_that_fails_leaves_the_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, 20)
    monkeypatch.setattr("os.fsync", lambda fd: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(RecordError, match=r"samples\.parquet: the run record cannot be written: No space"):
        seal_samples(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [STREAM]


def test_traces_of_other_columns_do_not_go_together(tmp_path: Path) -> None:
    stream = StreamWriter(tmp_path)
    trace = movement(5)
    stream.movement().add(trace, trace.sync)
    other = replace(trace, columns={"knee.position": trace.columns["knee.position"]})
    with pytest.raises(RecordError, match="other columns"):
        stream.movement().add(other, trace.sync)
    stream.close()


# ------------------------------------------------------------------ made to hurt
def table_of(rows: int, **columns: Any) -> pa.Table:
    """What a file of ours holds, with some columns otherwise."""
    fields = [pa.field(name, kind, False, {"unit": unit}) for name, (kind, unit) in INDEX.items()]
    fields.append(pa.field("knee.position", pa.float64(), False, {"unit": "rad"}))
    zeros = [np.zeros(rows, field.type.to_pandas_dtype()) for field in fields]
    return pa.table(zeros, pa.schema(fields, {"format": FORMAT}))


def stream_of(path: Path, table: pa.Table, **options: Any) -> None:
    written = pa.ipc.IpcWriteOptions(**{"compression": "zstd"} | options)
    with pa.ipc.new_stream(path, table.schema, options=written) as writer:
        writer.write_table(table, max_chunksize=1 << 30)


ALL = Rows("0000", 0, 5, 0, 5)


@pytest.mark.parametrize("codec", ["gzip", "snappy", "brotli", "lz4"])
def test_other_codecs_are_refused(tmp_path: Path, codec: str) -> None:
    path = tmp_path / SEALED
    parquet.write_table(table_of(5), path, compression=codec)
    with pytest.raises(RecordError, match=r"is compressed by codec \d; ours never are"), SampleFile.open(path):
        pass


@pytest.mark.parametrize("options", [{"compression": "lz4"}, {"compression": None}])
def test_a_stream_packed_otherwise_is_refused(tmp_path: Path, options: dict[str, Any]) -> None:
    stream_of(tmp_path / STREAM, table_of(5), **options)
    with pytest.raises(RecordError, match="packed in a way ours never are"), SampleFile.open(tmp_path / STREAM):
        pass


def test_blocks_that_would_grow_are_refused_before_they_do(tmp_path: Path) -> None:
    """A hundred million zeros are a few kilobytes of zstd."""
    rows = 10_000_000
    stream_of(tmp_path / STREAM, table_of(rows))
    assert (tmp_path / STREAM).stat().st_size < 1 << 20
    with little_memory(8 << 20), pytest.raises(RecordError, match=f"a block of {rows} rows"), SampleFile.open(
        tmp_path / STREAM
    ):
        pass
    parquet.write_table(table_of(1_000_000), tmp_path / SEALED, compression="zstd", row_group_size=1_000_000)
    assert (tmp_path / SEALED).stat().st_size < 1 << 20
    with little_memory(8 << 20), pytest.raises(RecordError, match="groups of rows that do not fit"), SampleFile.open(
        tmp_path / SEALED
    ):
        pass


@pytest.mark.parametrize("claimed", [0, 39, 41, 1 << 40, -2, (1 << 63) - 1])
def test_a_column_that_states_another_size(tmp_path: Path, claimed: int) -> None:
    path = tmp_path / STREAM
    stream_of(path, table_of(5))
    content = bytearray(path.read_bytes())
    stated = content.index(struct.pack("<q", 40))  # bytes of five values, in front of what zstd made of them
    while content[stated + 8 : stated + 12] != b"\x28\xb5\x2f\xfd":  # magic number of zstd
        stated = content.index(struct.pack("<q", 40), stated + 1)
    content[stated : stated + 8] = struct.pack("<q", claimed)
    path.write_bytes(content)
    with little_memory(8 << 20), SampleFile.open(path) as file, pytest.raises(RecordError, match="not readable"):
        file.trace(ALL)


@pytest.mark.parametrize("change", [
    lambda t: t.append_column("text", pa.array(["x"] * len(t))),
    lambda t: t.append_column(pa.field("knee.torque", pa.float64()), pa.array([0.0] * len(t))),
    lambda t: t.append_column(pa.field("knee.torque", pa.float32(), False), pa.array([0.0] * len(t), pa.float32())),
    lambda t: t.append_column(pa.field("knee.position", pa.float64(), False), t["knee.position"]),
    lambda t: t.select(["knee.position", "t", "sync", "segment", "span"]),
    lambda t: t.select(["t", "sync"]),
    lambda t: t.replace_schema_metadata({b"format": b"something else"}),
    lambda t: t.replace_schema_metadata({}),
    lambda t: t.rename_columns(["t", "sync", "span", "segment", "knee.position"]),
])  # fmt: skip
@pytest.mark.parametrize("name", [STREAM, SEALED])
def test_a_file_of_another_writer(tmp_path: Path, name: str, change: Callable[[pa.Table], pa.Table]) -> None:
    table = change(table_of(5))
    if name == STREAM:
        stream_of(tmp_path / name, table)
    else:
        parquet.write_table(table, tmp_path / name, compression="zstd")
    with pytest.raises(RecordError, match=name), SampleFile.open(tmp_path / name):
        pass


@pytest.mark.parametrize("kept", [
    ALL._replace(first_row=1), ALL._replace(first_row=-1), ALL._replace(rows=-1), ALL._replace(rows=1 << 62),
    ALL._replace(name="0001"), ALL._replace(name="x"), ALL._replace(name="-1"), ALL._replace(name="9" * 30),
])  # fmt: skip
def test_a_journal_that_speaks_of_other_rows(tmp_path: Path, kept: Rows) -> None:
    stream_of(tmp_path / STREAM, table_of(5))
    with SampleFile.open(tmp_path / STREAM) as file:
        assert len(file.trace(ALL)) == 5
        with pytest.raises(RecordError, match=r"samples\.arrows"):
            file.trace(kept)


@pytest.mark.parametrize("name", [STREAM, SEALED])
def test_bits_turned_over(tmp_path: Path, name: str) -> None:
    """Every one either does no harm or is a RecordError; never another exception, nor more memory."""
    made = write(tmp_path, 30, 12, at_once=20)
    if name == SEALED:
        seal_samples(tmp_path)
    whole = (tmp_path / name).read_bytes()
    rng = random.Random(5)
    refused = 0
    with little_memory(64 << 20):
        for _ in range(150):
            content = bytearray(whole)
            for _ in range(rng.choice((1, 1, 4))):
                content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
            (tmp_path / name).write_bytes(content)
            try:
                with SampleFile.open(tmp_path / name) as file:
                    for _, kept in made:
                        file.trace(kept)
            except RecordError:
                refused += 1
    assert refused > 40
