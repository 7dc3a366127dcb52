"""A part of a run: what one opened bench produced.

    parts/<part>/journal.jsonl       events, written by the process that runs the tests
    parts/<part>/frames.log          every frame, can-utils text, written by the loop
    parts/<part>/samples.arrows      samples while the part runs, see legtest.records.stream
    parts/<part>/samples.parquet     the same, sealed when the part has ended
    parts/<part>/descriptions/*      the description files as used

What each kind of event holds is what the methods of `PartWriter` put in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from legtest.canbus.wiremap import WireMap
from legtest.errors import RecordError
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict
from legtest.records import names
from legtest.records.files import cannot_write
from legtest.records.journal import Journal
from legtest.records.samples import seal_samples
from legtest.records.segment import Rows, Segment
from legtest.records.sink import FrameSink
from legtest.records.stream import StreamedMovement, StreamWriter
from legtest.records.trace import Trace
from legtest.records.tracer import spans_of


class PartWriter:
    """The writing end of one part. `journal`: its events; `frame_sink`: takes the lines of the frame log."""

    def __init__(self, run: Path, name: str) -> None:
        """Make the part's folder in a run's folder, which may have been made by another process.

        `name`: any text, for example a test id; a name already taken gets a number. Raises RecordError when the
        folder cannot be made.
        """
        self.folder = _new_folder(run / "parts", names.safe(name))
        self.name = self.folder.name
        self._make("descriptions")
        self.journal = Journal(self.folder / "journal.jsonl")
        self.frame_sink = FrameSink(self.folder / "frames.log")
        self._samples = StreamWriter(self.folder, self.frame_sink)

    def begin(self, *, leg: str, test: str, seed: int | None, wiremaps: Sequence[WireMap], sync_id: int) -> None:
        """The first event. With the wire maps in the record its frames can be decoded again without the leg file."""
        import pyarrow as pa  # noqa: F401  (a tenth of a second, which nobody has while the leg moves)

        body = {"leg": leg, "test": test, "seed": seed, "wiremaps": list(wiremaps), "sync_id": sync_id}
        self.journal.append("part_begin", 0, body)

    def save_description(self, name: str, data: bytes, *, read_as: str = "") -> None:
        """Keep a description file as used. read_as: SHA-256 of the file when it was read, if known.

        Raises RecordError when it has changed since, for then the record would show another one than was used.
        """
        if read_as and sha256(data).hexdigest() != read_as:
            raise RecordError(f"{name} has changed since this run read it: start the run again")
        path = self.folder / "descriptions" / names.checked(name, "a description file")
        try:
            with path.open("xb") as file:
                file.write(data)
        except OSError as error:
            raise cannot_write(path, error) from None

    def precheck(self, t_ns: int, report: Mapping[str, Any]) -> None:
        """What the pre-check found: `passed`, and `steps`, each with `step`, `result`, `value`, `expected`."""
        self.journal.append("precheck", t_ns, report)

    def setup(self, t_ns: int, setup: str, by: str) -> None:
        """Leg and stand were arranged so, by whom ("simulated", a person's name)."""
        self.journal.append("setup", t_ns, {"setup": setup, "by": by})

    def movement(self) -> StreamedMovement:
        """A movement begins: takes its samples while it goes on. Nothing is written before they come."""
        return self._samples.movement()

    def segment(
        self, t_ns: int, segment: Segment, traces: Sequence[Trace | Rows], *, test: str, method: str = ""
    ) -> None:
        """One movement has ended. traces: its samples, or where they lie already (`movement`).

        method: one sentence for people, how the movement measures. Everything of the frame log up to here reaches
        the operating system; RecordError when any of it was lost.
        """
        self.frame_sink.flush()
        rows = [each if isinstance(each, Rows) else self._kept(each, segment) for each in traces]
        body = {"segment": segment, "samples": rows, "test": test, "method": method}
        self.journal.append("segment", t_ns, body)

    def _kept(self, trace: Trace, segment: Segment) -> Rows:
        movement = self.movement()
        movement.add(trace, spans_of(trace.sync, [(span.first, span.last) for span in segment.spans]))
        return movement.kept(trace.first_frame, trace.last_frame)

    def measurement(self, t_ns: int, measurement: Measurement, *, test: str) -> None:
        """A value before it is judged."""
        self.journal.append("measurement", t_ns, {"measurement": measurement, "test": test})

    def verdict(self, t_ns: int, verdict: Verdict, *, test: str) -> None:
        """A value judged."""
        self.journal.append("verdict", t_ns, {"verdict": verdict, "test": test})

    def bench_error(self, t_ns: int, message: str, *, test: str) -> None:
        """The bench, not the leg, went wrong."""
        self.journal.append("bench_error", t_ns, {"message": message, "test": test})

    def note(self, t_ns: int, text: str, *, test: str = "") -> None:
        """Anything a reader should know."""
        self.journal.append("note", t_ns, {"text": text, "test": test})

    def end(self, t_ns: int, **more: Any) -> None:
        """The last event; seals the samples, closes the files. RecordError when anything of the part was lost."""
        try:
            try:
                self.frame_sink.close()
            finally:
                self._samples.close()
            seal_samples(self.folder)
            self.journal.append("part_end", t_ns, more)
        finally:
            self.journal.close()

    def _make(self, name: str) -> None:
        try:
            (self.folder / name).mkdir()
        except OSError as error:
            raise cannot_write(self.folder / name, error) from None


def _new_folder(parent: Path, name: str) -> Path:
    for number in range(1, 1000):
        tail = f".{number}" if number > 1 else ""
        folder = parent / (name[: names.LONGEST - len(tail)] + tail)
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        except OSError as error:
            raise cannot_write(folder, error) from None
        return folder
    raise RecordError(f"{parent}: there are 999 parts named {name} already")
