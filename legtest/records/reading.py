"""A finished or interrupted run, read from its folder. What is read is not trusted.

A record is incomplete until the opposite is shown: a run without its seal, or with one that does not fit, counts as
failed wherever it is read.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.description.model import LegDescription
from legtest.errors import RecordError
from legtest.metrology.verdict import Verdict
from legtest.records import names
from legtest.records.encode import from_json, loads
from legtest.records.files import cannot_read, read_whole
from legtest.records.framelog import Extent, each_frame, extent, read_frames
from legtest.records.journal import Contents, Event, read_journal
from legtest.records.older import LARGEST_FILE, samples_of
from legtest.records.run import FORMAT, HEADER, LARGEST_HEADER, READABLE, VERSION, RunHeader, digest_of, sha256_of
from legtest.records.samples import SEALED, STREAM, SampleFile
from legtest.records.segment import Rows, Segment
from legtest.records.sound import check_leg, check_verdict, check_wiremaps
from legtest.records.trace import Trace
from legtest.records.verifying import problems_of

MOST_PARTS = 20_000
LARGEST_JOURNALS = 256 << 20  # bytes of all parts together
_RUN_NAME = re.compile(r"[0-9]{8}-[0-9]{6}-.*", re.ASCII)


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
    """A movement, the names of its samples (see `Part.samples`; mostly one) and the test it belongs to."""

    test: str
    segment: Segment
    samples: tuple[str, ...]
    method: str


@dataclass(frozen=True)
class Part:
    """One part as read. torn: its journal ends in half a line.

    sealed: what the run's seal says of the files in the folder, None for a run without one. sha256: of the journal,
    "" when there is none.
    """

    folder: Path
    events: tuple[Event, ...]
    torn: bool
    sealed: Mapping[str, str] | None = None
    sha256: str = ""

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
            Judgement(_text(e, "test"), verdict_in(e, self._at(e))) for e in self.events if e.kind == "verdict"
        )

    @cached_property
    def segments(self) -> tuple[SegmentRecord, ...]:
        return tuple(self.segment_of(e) for e in self.events if e.kind == "segment")

    @cached_property
    def wiremaps(self) -> tuple[WireMap, ...]:
        where = f"{self.folder}: wiremaps"
        wiremaps = from_json(tuple[WireMap, ...], self._begin.get("wiremaps", []), where)
        check_wiremaps(wiremaps, where)
        return wiremaps

    @property
    def sync_id(self) -> int:
        return from_json(int, self._begin.get("sync_id", 0x80), f"{self.folder}: sync_id")

    @property
    def leg(self) -> str:
        return str(self._begin.get("leg", ""))

    @property
    def test(self) -> str:
        return str(self._begin.get("test", ""))

    def samples(self, name: str, columns: Collection[str] | None = None) -> Trace:
        """The samples of one movement, from the sealed file or from the stream that a killed writer left.

        columns: only these ("knee.position"); nothing else is unpacked then. Raises RecordError when there are none of
        that name, they are not readable or not all there, or not those that were sealed.
        """
        kept = self.rows.get(name)
        if kept is None:
            return self._older(name, columns)
        path = self.sample_file
        if path is None:
            raise RecordError(f"{self.folder}: no {SEALED} and no {STREAM}: the samples are missing")
        self._check_seal(path)
        with SampleFile.open(path, self._run) as file:
            return file.trace(kept, columns)

    @cached_property
    def rows(self) -> Mapping[str, Rows]:
        """Where the samples of each movement lie, by name; none in a record of version 1 or 2."""
        found: dict[str, Rows] = {}
        for event in self.events:
            for n, each in enumerate(_listed(event.body.get("samples"))) if event.kind == "segment" else ():
                if not isinstance(each, str):
                    rows = from_json(Rows, each, f"{self._at(event)}.samples[{n}]")
                    found[rows.name] = rows
        return found

    @property
    def sample_file(self) -> Path | None:
        """The sealed file, else the stream, else None."""
        paths = (self.folder / SEALED, self.folder / STREAM)
        return next((path for path in paths if path.exists() or path.is_symlink()), None)

    def frames_of(self, name: str) -> tuple[int, int]:
        """Which frames (the last not included) are behind the samples of this name. RecordError."""
        kept = self.rows.get(name) or self.samples(name)
        return kept.first_frame, kept.last_frame

    def _older(self, name: str, columns: Collection[str] | None) -> Trace:
        """From a file of its own, as versions 1 and 2 have it."""
        path = self.folder / "samples" / names.checked(name, "samples")
        content = read_whole(path, LARGEST_FILE, self._run)
        if self.sealed is not None and self.sealed.get(f"samples/{name}") != sha256(content).hexdigest():
            raise RecordError(f"{path}: changed since the run was sealed")
        trace = samples_of(content, path)
        if columns is None:
            return trace
        return replace(trace, columns={n: column for n, column in trace.columns.items() if n in columns})

    def _check_seal(self, path: Path) -> None:
        if self.sealed is not None and self.sealed.get(path.name) != sha256_of(path, self._run):
            raise RecordError(f"{path}: changed since the run was sealed")

    def frames(self, first: int, last: int) -> list[Frame]:
        """Frames first..last (the last not included) of the frame log; RecordError when they are not all there."""
        return read_frames(self.folder / "frames.log", first, last, self._run)

    def each_frame(self, first: int, last: int) -> Iterator[Frame]:
        """As `frames`, one after the other."""
        return each_frame(self.folder / "frames.log", first, last, self._run)

    @property
    def frame_log(self) -> Extent:
        """How many frames were logged, and whether half a line is left out after them. RecordError."""
        return extent(self.folder / "frames.log", self._run)

    @property
    def _run(self) -> Path:
        return self.folder.parent.parent

    @property
    def _begin(self) -> Mapping[str, Any]:
        return next(self.bodies("part_begin"), {})

    def segment_of(self, event: Event) -> SegmentRecord:
        """What an event of kind `segment` says. Raises RecordError."""
        segment = from_json(Segment, event.body.get("segment"), f"{self._at(event)}.segment")
        listed = [each if isinstance(each, str) else each.get("name") for each in _listed(event.body.get("samples"))]
        samples = from_json(tuple[str, ...], listed, f"{self._at(event)}.samples")
        return SegmentRecord(_text(event, "test"), segment, samples, _text(event, "method"))

    def _at(self, event: Event) -> str:
        return f"{self.folder / 'journal.jsonl'}:{event.n + 2}"


@dataclass(frozen=True, slots=True)
class Run:
    """A run as read. tests: how each test ended, in order.

    changed: what its seal says otherwise of the journals that were read. events: of the run's own journal.
    """

    folder: Path
    header: RunHeader
    tests: tuple[Ending, ...]
    parts: tuple[Part, ...]
    changed: tuple[str, ...] = ()
    events: tuple[Event, ...] = ()

    def bodies(self, kind: str) -> Iterator[Mapping[str, Any]]:
        """The bodies of the events of one kind in the run's own journal, in order."""
        return (event.body for event in self.events if event.kind == kind)

    @property
    def complete(self) -> bool:
        """It was ended and sealed, and what was read is what was sealed."""
        return self.header.sealed is not None and not self.changed

    @property
    def problem(self) -> str:
        """Why the run counts as failed whatever its tests say, "" = it need not."""
        if self.header.sealed is None:
            return "not sealed: the run was interrupted or is still running, and counts as failed"
        if self.changed:
            more = f" and {len(self.changed) - 1} more" if len(self.changed) > 1 else ""
            return f"the record was changed after it was sealed, and counts as failed: {self.changed[0]}{more}"
        return ""

    def leg(self, name: str) -> LegDescription | None:
        """The leg of that name, the only one for an empty name, or None."""
        found = [leg for leg in self.header.legs if leg.name == name or (not name and len(self.header.legs) == 1)]
        return found[0] if found else None


def read_run(folder: Path) -> Run:
    """Read a run, sealed or interrupted. Of its seal, the header and the journals are compared (`verify`: all).

    Raises RecordError naming the file and what is wrong with it; also for a header that is not the one sealed.
    """
    header = _header(folder)
    path = folder / "journal.jsonl"
    contents = _journal(path, folder)
    tests = tuple(_test_end(e, f"{path}:{e.n + 2}") for e in contents.events if e.kind == "test_end")
    parts = tuple(_parts(folder, header.sealed))
    changed = tuple(_changed(header.sealed, contents.sha256, parts))
    return Run(folder, header, tests, parts, changed, contents.events)


def verify(folder: Path) -> list[str]:
    """What is wrong with a run's record, in words; empty when it is complete and unchanged."""
    problems: list[str] = []
    try:
        problems.extend(problems_of(read_run(folder)))
    except RecordError as error:
        problems.append(str(error))
    return problems


def version_of(folder: Path) -> int:
    """The version of a run's record. Raises RecordError when its header cannot be read."""
    return _header(folder).version


def unsealed_runs(folder: Path) -> list[Path]:
    """The runs in a folder of runs that have no seal: interrupted or still running. Only their headers are read.

    A run whose header cannot be read counts. No folder, no runs. Raises RecordError when the folder cannot be read.
    """
    try:
        found = sorted(path for path in folder.iterdir() if _RUN_NAME.fullmatch(path.name) and path.is_dir())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise cannot_read(folder, error) from None
    return [path for path in found if not _has_seal(path)]


def _has_seal(run: Path) -> bool:
    try:
        text = read_whole(run / HEADER, LARGEST_HEADER)
    except RecordError:
        return False
    # As our writer spells it; inside a text of JSON the quotes would stand behind a backslash.
    return b'"sealed":{' in text


def _header(folder: Path) -> RunHeader:
    path = folder / HEADER
    if not path.exists() and not path.is_symlink():
        raise RecordError(f"{path}: there is no such file; is {folder} the folder of a run?")
    data = loads(read_whole(path, LARGEST_HEADER), str(path))
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise RecordError(f"{path}: this is not the record of a legtest run")
    if data.get("version") not in READABLE or isinstance(data["version"], bool):
        raise RecordError(f"{path}: record version {str(data.get('version'))[:40]}; this legtest reads 1 to {VERSION}")
    header = from_json(RunHeader, data, str(path))
    for n, leg in enumerate(header.legs):
        check_leg(leg, f"{path}.legs[{n}]")
    if header.sealed is not None:
        # Version 1 did not seal the header itself.
        sealed_header = header.version > 1 or HEADER in header.sealed
        if sealed_header and header.sealed.get(HEADER) != digest_of(data):
            raise RecordError(f"{path}: changed since the run was sealed")
        _check_descriptions(header, path)
    return header


def _check_descriptions(header: RunHeader, path: Path) -> None:
    """The description files that were sealed are those the header was made from."""
    known = {
        "leg.yaml": {leg.sha256 for leg in header.legs},
        "bench.yaml": {header.bench.sha256},
        "stand.yaml": {header.bench.stand.sha256},
    }
    for name, digest in (header.sealed or {}).items():
        head, _, file = name.rpartition("/")
        if head.startswith("parts/") and head.endswith("/descriptions") and digest not in known.get(file, {digest}):
            raise RecordError(f"{path}: {name} is not the file that the run's description was made from")


def _journal(path: Path, run: Path) -> Contents:
    # A process killed between making the folder and the file leaves neither.
    return read_journal(path, run) if path.exists() or path.is_symlink() else Contents((), False, "")


def _parts(run: Path, sealed: Mapping[str, str] | None) -> Iterator[Part]:
    folder = run / "parts"
    try:
        if folder.is_symlink():
            raise RecordError(f"{folder}: not read: a link")
        found = sorted(folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise cannot_read(folder, error) from None
    if len(found) > MOST_PARTS:
        raise RecordError(f"{folder}: {len(found)} parts, more than {MOST_PARTS}")
    by_part: dict[str, dict[str, str]] = {}
    for name, digest in (sealed or {}).items():
        _, _, inner = name.partition("/")
        by_part.setdefault(inner.partition("/")[0], {})[inner.partition("/")[2]] = digest
    size = 0
    for part in found:
        names.checked(part.name, "a part")
        if part.is_symlink() or not part.is_dir():
            raise RecordError(f"{part}: not the folder of a part")
        path = part / "journal.jsonl"
        size += path.stat().st_size if path.is_file() else 0
        if size > LARGEST_JOURNALS:
            raise RecordError(f"{folder}: the journals of all parts are more than {LARGEST_JOURNALS} bytes")
        contents = _journal(path, run)
        known = None if sealed is None else by_part.get(part.name, {})
        yield Part(part, contents.events, contents.torn, known, contents.sha256)


def _changed(sealed: Mapping[str, str] | None, journal: str, parts: tuple[Part, ...]) -> Iterator[str]:
    if sealed is None:
        return
    read = {"journal.jsonl": journal} | {f"parts/{part.name}/journal.jsonl": part.sha256 for part in parts}
    there = {name: digest for name, digest in read.items() if digest}
    wanted = {name: digest for name, digest in sealed.items() if re.fullmatch(r"(parts/[^/]+/)?journal\.jsonl", name)}
    for name in sorted(there.keys() | wanted.keys()):
        if name not in there:
            yield f"{name}: missing, though the run was sealed with it"
        elif name not in wanted:
            yield f"{name}: not there when the run was sealed"
        elif there[name] != wanted[name]:
            yield f"{name}: changed since the run was sealed"


def verdict_in(event: Event, where: str) -> Verdict:
    """The verdict of a verdict's event. Raises RecordError."""
    verdict = from_json(Verdict, event.body.get("verdict"), f"{where}.verdict")
    check_verdict(verdict, f"{where}.verdict")
    return verdict


def _test_end(event: Event, where: str) -> Ending:
    hints = {"test": str, "word": str, "leg": str, "seconds": float, "reason": str}
    return Ending(**{key: from_json(kind, event.body.get(key), f"{where}.{key}") for key, kind in hints.items()})


def _listed(data: Any) -> list[Any]:
    """What a segment says of its samples: names, or objects that have one. RecordError for anything else."""
    if not isinstance(data, list) or not all(isinstance(each, str | dict) for each in data):
        raise RecordError(f"samples: {str(data)[:80]!r} is not a list of samples")
    return data


def _text(event: Event, key: str) -> str:
    return from_json(str, event.body.get(key, ""), f"event {event.n}.{key}")
