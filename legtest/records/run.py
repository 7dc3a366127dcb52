"""A run of tests as a folder: one run.json, a journal of how its tests ended, and a folder for each part.

    <runs>/<yyyymmdd-hhmmss>-<leg>-<nn>/run.json        what ran, on what; sealed when the run has ended
                                        journal.jsonl   how each test ended
                                        parts/<part>/   see legtest.records.part

Reports are written beside them from the sealed record, and are no part of it.
"""

from __future__ import annotations

import dataclasses
import errno
import os
import platform
import re
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import file_digest, sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

from legtest import __version__
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import RecordError
from legtest.records import names
from legtest.records.encode import dumps, to_json
from legtest.records.files import cannot_read, cannot_write, open_plain, replace
from legtest.records.journal import Journal
from legtest.records.part import PartWriter

FORMAT = "legtest run"
VERSION = 3
READABLE = (1, 2, 3)
HEADER = "run.json"
LARGEST_HEADER = 16 << 20
MOST_FILES = 200_000
SELECTED_AT_ONCE = 500  # tests named in one event
REPORTS = ("junit.xml", "report.html", "summary.md")
Mode = Literal["SIMULATED", "REHEARSAL", "LIVE"]
_LIBRARIES = ("numpy", "mujoco-core", "python-can", "canopen", "pydantic", "pyarrow", "pytest")


@dataclass(frozen=True, slots=True)
class RunHeader:
    """What run.json says. started: ISO 8601 with offset. seed and faults: of a simulated run.

    sealed: SHA-256 of every file of the record by its path in the folder, None while the run is not ended; under
    "run.json" that of this header before it was sealed.
    """

    format: str
    version: int
    started: str
    legtest: str
    command: tuple[str, ...]
    environment: Mapping[str, str]
    mode: Mode
    seed: int | None
    faults: tuple[str, ...]
    legs: tuple[LegDescription, ...]
    bench: BenchDescription
    sealed: Mapping[str, str] | None = field(default=None)


class RunWriter:
    """The writing end of a run, held by the one process that controls it."""

    def __init__(self, folder: Path, header: RunHeader) -> None:
        """Use `create`."""
        self.folder = folder
        self.header = header
        self._journal = Journal(folder / "journal.jsonl")

    @classmethod
    def create(
        cls,
        runs: Path,
        *,
        now: datetime,
        mode: Mode,
        legs: Sequence[LegDescription],
        bench: BenchDescription,
        command: Sequence[str] = (),
        seed: int | None = None,
        faults: Sequence[str] = (),
        plugins: Mapping[str, str] | None = None,
    ) -> RunWriter:
        """Make the run's folder under `runs` (made if missing). `now`: with its offset from UTC.

        Raises RecordError when the folder cannot be made or written.
        """
        if now.tzinfo is None:
            raise ValueError("now: a time without its offset from UTC cannot be recorded")
        stem = f"{now:%Y%m%d-%H%M%S}-{_short('+'.join(leg.name for leg in legs))}"
        header = RunHeader(
            FORMAT, VERSION, now.isoformat(timespec="seconds"), __version__, tuple(command), environment(plugins),
            mode, seed, tuple(faults), tuple(legs), bench,
        )  # fmt: skip
        return cls(_new_folder(runs, stem, header), header)

    def part(self, name: str) -> PartWriter:
        """A new part. Another process makes its own with `PartWriter(folder, name)`."""
        return PartWriter(self.folder, name)

    def test_end(self, test: str, word: str, *, leg: str, seconds: float, reason: str = "") -> None:
        """How one test ended: its word ("pass", "fail", "inconclusive", "invalid", "not run", "bench error",
        "not judged", ...), how long it took on the wall clock, and why, where that is not in a verdict."""
        body = {"test": test, "word": word, "leg": leg, "seconds": round(seconds, 3), "reason": reason}
        self._journal.append("test_end", 0, body)

    def comparison(self, body: Mapping[str, Any]) -> None:
        """What came of comparing one quantity with a baseline; its keys are those of the journal's schema."""
        self._journal.append("comparison", 0, body)

    def trend(self, body: Mapping[str, Any]) -> None:
        """One quantity's values in earlier runs, with their control limits; its keys are those of the schema."""
        self._journal.append("trend", 0, body)

    def attendance(self, attended: bool, by: str) -> None:
        """Whether somebody was there while the leg could move, and who, if that is known."""
        self._journal.append("attendance", 0, {"attended": attended, "by": by})

    def selected(self, tests: Sequence[str]) -> None:
        """Which tests were asked for, before the first begins: one that never ends is missed by its name."""
        for first in range(0, len(tests), SELECTED_AT_ONCE):
            self._journal.append("selected", 0, {"tests": list(tests[first : first + SELECTED_AT_ONCE])})

    def seal(self) -> RunHeader:
        """End the run: hash every file into run.json. Nothing may be written to the record afterwards."""
        self._journal.append("part_end", 0, {})
        self._journal.close()
        sealed = hashes(self.folder) | {HEADER: digest_of(to_json(self.header))}
        self.header = dataclasses.replace(self.header, sealed=sealed)
        _write_header(self.folder, self.header)
        return self.header

    def close(self) -> None:
        """Leave the run unsealed, as an interrupted one; harmless after `seal`."""
        self._journal.close()


def environment(plugins: Mapping[str, str] | None = None) -> dict[str, str]:
    """Versions of Python, the platform, the libraries results may depend on, and pytest's plugins (version by name)."""
    found = {"python": sys.version.split()[0], "platform": platform.platform()}
    for library in _LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found | {f"pytest plugin {name}": version for name, version in (plugins or {}).items()}


def files(folder: Path) -> Iterator[Path]:
    """Every file of the record below a run's folder, in order, without run.json and the reports.

    A link counts as a file, wherever it leads. RecordError when there are more than MOST_FILES.
    """
    ours = {each for name in (HEADER, *REPORTS) for each in (name, f"{name}.new")}
    found = []
    for where, folders, plain in os.walk(folder, onerror=_raise, followlinks=False):
        links = [name for name in folders if Path(where, name).is_symlink()]
        found += [Path(where, name) for name in (*plain, *links) if where != str(folder) or name not in ours]
        if len(found) > MOST_FILES:
            raise RecordError(f"{folder}: more than {MOST_FILES} files")
    yield from sorted(found)


def _raise(error: OSError) -> None:
    # A folder that cannot be looked into would be left out of a seal without a word.
    raise cannot_read(Path(error.filename or "the record"), error) from None


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of the record by its path in the folder. RecordError when one is no ordinary file."""
    return {path.relative_to(folder).as_posix(): sha256_of(path, folder) for path in files(folder)}


def digest_of(header: Mapping[str, Any]) -> str:
    """SHA-256 of a header as JSON data, its seal left out: what the seal itself says of the header."""
    return sha256(dumps({**header, "sealed": None}).encode()).hexdigest()


def sha256_of(path: Path, within: Path | None = None) -> str:
    """SHA-256 of one file, hexadecimal; RecordError when it cannot be read. within: see `open_plain`."""
    try:
        with open_plain(path, within) as file:
            return file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise cannot_read(path, error) from None


def _short(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9._+-]+", "-", text)[:40].strip(".+-").replace("+", "_") or "leg"


def _new_folder(runs: Path, stem: str, header: RunHeader) -> Path:
    """The run's folder, which from its first moment has its header: made under a hidden name, then renamed."""
    hidden = runs / f".{names.checked(stem, 'a run')}-{os.getpid()}"
    try:
        runs.mkdir(parents=True, exist_ok=True)
        (hidden / "parts").mkdir(parents=True)
    except OSError as error:
        raise cannot_write(runs, error) from None
    try:
        _write_header(hidden, header)
    except RecordError:
        shutil.rmtree(hidden, ignore_errors=True)
        raise
    for number in range(1, 100):
        folder = runs / names.checked(f"{stem}-{number:02d}", "a run")
        try:
            if not folder.exists():
                return hidden.rename(folder)
        except OSError as error:
            if error.errno not in (errno.EEXIST, errno.ENOTEMPTY):
                raise cannot_write(folder, error) from None
    raise RecordError(f"{runs}: there are 99 runs named {stem} already")


def _write_header(folder: Path, header: RunHeader) -> None:
    text = dumps(to_json(header)) + "\n"
    if len(text) > LARGEST_HEADER:
        raise RecordError(f"{folder / HEADER}: larger than {LARGEST_HEADER} bytes: a run of too many files")
    replace(folder / HEADER, text.encode("ascii"))
