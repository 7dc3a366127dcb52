"""A finished or interrupted run, read from its folder. What is read is not trusted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from legtest.canbus import candump
from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.description.model import LegDescription
from legtest.errors import RecordError
from legtest.metrology.verdict import Verdict
from legtest.records import names
from legtest.records.encode import from_json, loads
from legtest.records.journal import Event, read_journal
from legtest.records.run import FORMAT, VERSION, RunHeader, files, sha256_of
from legtest.records.samples import read_samples
from legtest.records.segment import Segment
from legtest.records.trace import Trace

LARGEST_HEADER = 16 << 20
MOST_PARTS = 20_000


class Ending(NamedTuple):
    """How one test ended, as the controlling process saw it."""

    test: str
    word: str
    leg: str
    seconds: float
    reason: str


class Judgement(NamedTuple):
    """A verdict and the test that asked for it."""

    test: str
    verdict: Verdict


class SegmentRecord(NamedTuple):
    """A movement, its samples by file name (one for each span) and the test it belongs to."""

    test: str
    segment: Segment
    samples: tuple[str, ...]
    method: str


@dataclass(frozen=True)
class Part:
    """One part as read. torn: its journal ends in half a line."""

    folder: Path
    events: tuple[Event, ...]
    torn: bool

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def ended(self) -> bool:
        return bool(self.events) and self.events[-1].kind == "part_end"

    def bodies(self, kind: str) -> Iterator[Mapping[str, Any]]:
        """The bodies of the events of one kind, in order."""
        return (event.body for event in self.events if event.kind == kind)

    @cached_property
    def judgements(self) -> tuple[Judgement, ...]:
        return tuple(
            Judgement(_text(e, "test"), from_json(Verdict, e.body.get("verdict"), f"{self._at(e)}.verdict"))
            for e in self.events
            if e.kind == "verdict"
        )

    @cached_property
    def segments(self) -> tuple[SegmentRecord, ...]:
        return tuple(self._segment(e) for e in self.events if e.kind == "segment")

    @cached_property
    def wiremaps(self) -> tuple[WireMap, ...]:
        return from_json(tuple[WireMap, ...], self._begin.get("wiremaps", []), f"{self.folder}: wiremaps")

    @property
    def sync_id(self) -> int:
        return from_json(int, self._begin.get("sync_id", 0x80), f"{self.folder}: sync_id")

    @property
    def leg(self) -> str:
        return str(self._begin.get("leg", ""))

    @property
    def test(self) -> str:
        return str(self._begin.get("test", ""))

    def samples(self, name: str) -> Trace:
        """The trace in one file of samples/; RecordError when there is none of that name or it is not readable."""
        return read_samples(self.folder / "samples" / names.checked(name, "samples"))

    def frames(self, first: int, last: int) -> list[Frame]:
        """Frames first..last (the last not included) of the frame log; RecordError when they are not all there."""
        return read_frames(self.folder / "frames.log", first, last)

    @property
    def _begin(self) -> Mapping[str, Any]:
        return next(self.bodies("part_begin"), {})

    def _segment(self, event: Event) -> SegmentRecord:
        segment = from_json(Segment, event.body.get("segment"), f"{self._at(event)}.segment")
        samples = from_json(tuple[str, ...], event.body.get("samples"), f"{self._at(event)}.samples")
        return SegmentRecord(_text(event, "test"), segment, samples, _text(event, "method"))

    def _at(self, event: Event) -> str:
        return f"{self.folder / 'journal.jsonl'}:{event.n + 2}"


@dataclass(frozen=True, slots=True)
class Run:
    """A run as read. tests: how each test ended, in order; complete: it was ended and sealed."""

    folder: Path
    header: RunHeader
    tests: tuple[Ending, ...]
    parts: tuple[Part, ...]

    @property
    def complete(self) -> bool:
        return self.header.sealed is not None

    def leg(self, name: str) -> LegDescription | None:
        """The leg of that name, the only one for an empty name, or None."""
        found = [leg for leg in self.header.legs if leg.name == name or (not name and len(self.header.legs) == 1)]
        return found[0] if found else None


def read_run(folder: Path) -> Run:
    """Read a run, sealed or interrupted, without checking its hashes (`verify` does).

    Raises RecordError naming the file and what is wrong with it.
    """
    header = _header(folder)
    path = folder / "journal.jsonl"
    events = read_journal(path).events if path.exists() else ()
    tests = tuple(_test_end(e, f"{path}:{e.n + 2}") for e in events if e.kind == "test_end")
    return Run(folder, header, tests, tuple(_parts(folder / "parts")))


def verify(folder: Path) -> list[str]:
    """What is wrong with a run's record, in words; empty when it is complete and unchanged."""
    try:
        run = read_run(folder)
    except RecordError as error:
        return [str(error)]
    problems = [] if run.complete else ["run.json: not sealed: the run was interrupted or is still running"]
    for part in run.parts:
        if part.torn:
            problems.append(f"parts/{part.name}/journal.jsonl: the last line was cut off while it was written")
        if not part.ended:
            problems.append(f"parts/{part.name}/journal.jsonl: no part_end: the part was interrupted")
        problems += _unreadable(part)
    return problems + _changed(run)


def read_frames(path: Path, first: int, last: int) -> list[Frame]:
    """Lines first..last (the last not included, counted from 0) of a frame log."""
    try:
        if path.is_symlink():
            raise RecordError(f"{path}: not read: it is a link")
        with path.open("rb") as file:
            frames = [candump.parse(line) for line in islice(file, first, last)]
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from None
    except RecordError as error:
        raise RecordError(f"{path}: between lines {first + 1} and {last}: {error}") from None
    if len(frames) != last - first:
        raise RecordError(f"{path}: ends before frame {last}: {len(frames)} of {last - first} frames are there")
    return frames


def _header(folder: Path) -> RunHeader:
    path = folder / "run.json"
    try:
        if path.is_symlink() or path.stat().st_size > LARGEST_HEADER:
            raise RecordError(f"{path}: not read: a link, or larger than {LARGEST_HEADER} bytes")
        data = loads(path.read_bytes(), str(path))
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}; is {folder} the folder of a run?") from None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise RecordError(f"{path}: this is not the record of a legtest run")
    if data.get("version") != VERSION:
        raise RecordError(f"{path}: record version {data.get('version')!r}; this legtest reads version {VERSION}")
    return from_json(RunHeader, data, str(path))


def _parts(folder: Path) -> Iterator[Part]:
    try:
        found = sorted(folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise RecordError(f"{folder}: cannot be read: {error.strerror}") from None
    if len(found) > MOST_PARTS:
        raise RecordError(f"{folder}: {len(found)} parts, more than {MOST_PARTS}")
    for part in found:
        names.checked(part.name, "a part")
        if part.is_symlink() or not part.is_dir():
            raise RecordError(f"{part}: not the folder of a part")
        path = part / "journal.jsonl"
        # A process killed between making the folder and the file leaves an empty part.
        contents = read_journal(path) if path.exists() else None
        yield Part(part, contents.events if contents else (), contents.torn if contents else False)


def _test_end(event: Event, where: str) -> Ending:
    hints = {"test": str, "word": str, "leg": str, "seconds": float, "reason": str}
    return Ending(**{key: from_json(kind, event.body.get(key), f"{where}.{key}") for key, kind in hints.items()})


def _text(event: Event, key: str) -> str:
    return from_json(str, event.body.get(key, ""), f"event {event.n}.{key}")


def _unreadable(part: Part) -> list[str]:
    problems = []
    try:
        _ = part.judgements, part.wiremaps
        for record in part.segments:
            for name in record.samples:
                part.samples(name)
    except RecordError as error:
        problems.append(str(error))
    return problems


def _changed(run: Run) -> list[str]:
    if run.header.sealed is None:
        return []
    problems = []
    found = {path.relative_to(run.folder).as_posix(): path for path in files(run.folder)}
    for name, expected in sorted(run.header.sealed.items()):
        if name not in found:
            problems.append(f"{name}: missing, though the run was sealed with it")
        elif sha256_of(found[name]) != expected:
            problems.append(f"{name}: changed since the run was sealed")
    added = sorted(set(found) - set(run.header.sealed))
    return problems + [f"{name}: not there when the run was sealed" for name in added]
