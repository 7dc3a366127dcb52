"""Readers of records: of each file alone, and of a whole run with all that is made from it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path

from fuzz_parsers import CANDUMP_SEEDS, Feed, Parser


def _frame_log(folder: Path) -> Feed:
    from legtest.records.framelog import extent, read_frames

    path = folder / "frames.log"

    def feed(data: bytes) -> None:
        path.write_bytes(data)
        read_frames(path, 0, extent(path).frames)

    return feed


@cache
def _example() -> Path:
    """A small run with one part, sealed, in a folder that lives as long as the process."""
    import atexit
    from tempfile import mkdtemp

    from legtest.records.run import RunWriter
    from tests.records.make_run import STARTED, Filling, make_bench, make_leg, value

    home = Path(mkdtemp(prefix="fuzz-record-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    text = b"leg: tarn-fl\n"
    leg = replace(make_leg(), sha256=sha256(text).hexdigest())
    run = RunWriter.create(home, now=STARTED, mode="SIMULATED", legs=[leg], bench=make_bench(), seed=1)
    filling = Filling(run.part("gears.py::test_backlash[tarn-fl-knee]"), leg, "gears.py::test_backlash[tarn-fl-knee]")
    filling.move("backlash", "knee", 40, method="A torque is reversed.", torque_Nm=1.0)
    filling.judge(value("backlash", "knee", 0.0108, ("scatter", 0.0003), ("wind-up", 0.0002)))
    filling.judge(value("path_accuracy", "foot", 0.0021, ("joint angles", 0.0002)))
    filling.part.bench_error(5, "the adapter went away", test=filling.test)
    filling.part.note(6, "the leg was warm", test=filling.test)
    filling.part.save_description("leg.yaml", text)
    filling.part.end(9)
    left = Filling(run.part("left"), leg, "left")  # by a writer that was killed: its samples are still a stream
    left.move("backlash", "knee", 10, method="")
    left.part._samples.close()
    left.part.journal.close()
    run.test_end(filling.test, "fail", leg=leg.name, seconds=1.25, reason="too much play")
    run.close()
    return run.folder


def _journal_seeds() -> list[bytes]:
    part = next(_example().glob("parts/*/journal.jsonl")).read_bytes()
    lines = part.splitlines(keepends=True)
    return [part, lines[0] + lines[2], b"".join(lines[:1]), (_example() / "journal.jsonl").read_bytes()]


def _journal(folder: Path) -> Feed:
    from legtest.records.journal import read_journal

    path = folder / "journal.jsonl"

    def feed(data: bytes) -> None:
        path.write_bytes(data)
        read_journal(path)

    return feed


def _run_json(folder: Path) -> Feed:
    from legtest.records.reading import read_run

    (folder / "parts").mkdir()

    def feed(data: bytes) -> None:
        (folder / "run.json").write_bytes(data)
        read_run(folder)

    return feed


def _header_seeds() -> list[bytes]:
    from json import dumps, loads

    from legtest.records.run import digest_of

    data = loads((_example() / "run.json").read_bytes())
    sealed = data | {"sealed": {"run.json": digest_of(data), "parts/a/descriptions/bench.yaml": "c" * 64}}
    return [dumps(data, sort_keys=True, separators=(",", ":")).encode(), dumps(sealed).encode()]


def _record(folder: Path) -> Feed:
    """The first byte says which file of a whole record the rest replaces; then all that reads records reads it."""
    from legtest.history.compare import compare_runs
    from legtest.history.snapshot import snapshot
    from legtest.records.reading import read_run, verify
    from legtest.replay import replay_part
    from legtest.reports.console import table_lines
    from legtest.reports.html import report_html
    from legtest.reports.junit import junit_xml
    from legtest.reports.summary import summary_md

    run = Path(shutil.copytree(_example(), folder / "run"))
    paths = _record_files(run)
    kept = {path: path.read_bytes() for path in paths}

    def feed(data: bytes) -> None:
        path = paths[(data or b"\0")[0] % len(paths)]
        path.write_bytes(data[1:])
        try:
            verify(run)
            found = read_run(run)
            for make in (table_lines, junit_xml, summary_md, report_html):
                make(found)
            kept_values = snapshot(found, behaviour=len(data) % 4 == 0)  # frames are read below as well
            for row in compare_runs(kept_values, kept_values).rows:
                row.body(row.line, "")
            for part in found.parts:
                replay_part(part, found.leg(part.leg))
        finally:
            path.write_bytes(kept[path])

    return feed


def _record_files(run: Path) -> list[Path]:
    # The journal of the part holds most of what can be wrong in a way that only a report notices.
    found = [run / "run.json", run / "journal.jsonl", *sorted(run.glob("parts/*/*l*"))]
    return [path for path in found if path.is_file()] + [next(run.glob("parts/*/journal.jsonl"))] * 3


def _record_seeds() -> list[bytes]:
    return [bytes((n,)) + path.read_bytes() for n, path in enumerate(_record_files(_example()))]


def _baseline(folder: Path) -> Feed:
    """As a file, and once more as if it had been signed again after the change."""
    from legtest.errors import RecordError
    from legtest.history.baseline import Baseline, acceptances, check_sound
    from legtest.history.compare import compare_runs
    from legtest.records.encode import from_json, loads

    (folder / "b").mkdir()

    def feed(data: bytes) -> None:
        (folder / "b" / "001.json").write_bytes(data)
        try:
            acceptances(folder, "b")
        except RecordError as error:
            if "changed since it was accepted" not in str(error):
                raise
        made = from_json(Baseline, loads(data, "b"), "b")
        check_sound(made, "b")
        for row in compare_runs(made.snapshot, made.snapshot).rows:
            row.body(row.line, "")

    return feed


def _baseline_seeds() -> list[bytes]:
    from tempfile import TemporaryDirectory

    from legtest.history.baseline import accept
    from legtest.records.reading import read_run
    from tests.records.make_run import STARTED, make_run

    with TemporaryDirectory() as folder:
        run = read_run(make_run(Path(folder) / "runs", cycles=40))
        return [accept(run, Path(folder), name="b", by="x", reason="y", now=STARTED)[1].read_bytes()]


def _older_samples(folder: Path) -> Feed:
    from legtest.records.older import samples_of

    return lambda data: samples_of(data, Path("x.parquet"))


def _older_seeds() -> list[bytes]:
    older = Path(__file__).parents[1] / "records/older"
    return [path.read_bytes() for path in sorted(older.glob("*/parts/*/samples/*"))[::2]]


def _samples(name: str) -> Callable[[Path], Feed]:
    """Every movement that a journal might speak of, and everything there is."""

    def made(folder: Path) -> Feed:
        from legtest.records.samples import SampleFile
        from legtest.records.segment import Rows

        path = folder / name

        def feed(data: bytes) -> None:
            path.write_bytes(data)
            with SampleFile.open(path) as file:
                for _ in file.stretches():
                    pass
                file.trace(Rows("0000", 0, min(5, file.rows), 0, 9))
                file.trace(Rows("0001", 5, max(file.rows - 5, 0), 0, 9), ["knee.torque"])

        return feed

    return made


def _samples_seeds(name: str) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        from tempfile import TemporaryDirectory

        import numpy as np

        from legtest.records.samples import STREAM, seal_samples
        from legtest.records.stream import StreamWriter
        from legtest.records.trace import Trace

        found = []
        for rows in (0, 5, 60):
            t = np.arange(rows, dtype=np.int64)
            names = ["knee.position", "knee.torque"]
            trace = Trace(t, {n: np.sin(t * 0.1) for n in names}, dict.fromkeys(names, "rad"), 0, rows, t)
            with TemporaryDirectory() as folder:
                stream = StreamWriter(Path(folder))
                for part in (slice(0, 5), slice(5, 60)):
                    stream.movement().add(trace.rows(part), t[part])
                stream.close()
                if name != STREAM:
                    seal_samples(Path(folder))
                found.append((Path(folder) / name).read_bytes())
        return found

    return seeds


SAMPLE_WORDS = (b"unit", b"format", b"legtest samples 2", b"\xff\xff\xff\xff", b"\x28\xb5\x2f\xfd", b"\xff" * 8)
RECORDS = (
    Parser("frames-log", _frame_log, lambda: (b"".join(s.rstrip(b"\n") + b"\n" for s in CANDUMP_SEEDS),), (b"\n",)),
    Parser("journal", _journal, _journal_seeds, (b'"n":', b'"kind":"note"', b'"body":{}', b"null")),
    Parser("run-json", _run_json, _header_seeds, (b'"sealed":null', b'"version":2', b"null", b"{}", b"[]")),
    Parser("baseline", _baseline, _baseline_seeds, (b'"kind":"angle"', b"null", b"{}", b'"inf"', b"1e99"), size=300),
    Parser("record", _record, _record_seeds, (b'"kind":"angle"', b"null", b"{}", b"[]"), size=300),
    Parser("samples", _older_samples, _older_seeds, (b"PAR1", b"unit", b"format", b"legtest samples 1")),
    Parser("samples-stream", _samples("samples.arrows"), _samples_seeds("samples.arrows"), SAMPLE_WORDS),
    Parser("samples-sealed", _samples("samples.parquet"), _samples_seeds("samples.parquet"), (b"PAR1", *SAMPLE_WORDS)),
)
