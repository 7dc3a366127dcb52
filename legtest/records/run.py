"""A run of tests as a folder: one run.json, a journal of how its tests ended, and a folder for each part.

    <runs>/<yyyymmdd-hhmmss>-<leg>-<nn>/run.json        what ran, on what; sealed when the run has ended
                                        journal.jsonl   how each test ended
                                        parts/<part>/   see legtest.records.part

Reports are written beside them from the sealed record, and are no part of it.
"""

from __future__ import annotations

import os
import platform
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from hashlib import file_digest
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Literal

from legtest import __version__
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import RecordError
from legtest.records import names
from legtest.records.encode import dumps, to_json
from legtest.records.journal import Journal, cannot_write
from legtest.records.part import PartWriter

FORMAT = "legtest run"
VERSION = 1
REPORTS = ("junit.xml", "report.html", "summary.md")
Mode = Literal["SIMULATED", "REHEARSAL", "LIVE"]
_LIBRARIES = ("numpy", "mujoco-core", "python-can", "canopen", "pydantic", "pyarrow", "pytest")


@dataclass(frozen=True, slots=True)
class RunHeader:
    """What run.json says. started: ISO 8601 with offset. seed and faults: of a simulated run.

    sealed: SHA-256 of every file of the record by its path in the folder, None while the run is not ended.
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
    ) -> RunWriter:
        """Make the run's folder under `runs` (made if missing). `now`: with its offset from UTC.

        Raises RecordError when the folder cannot be made or written.
        """
        if now.tzinfo is None:
            raise ValueError("now: a time without its offset from UTC cannot be recorded")
        folder = _new_folder(runs, f"{now:%Y%m%d-%H%M%S}-{_short('+'.join(leg.name for leg in legs))}")
        header = RunHeader(
            FORMAT, VERSION, now.isoformat(timespec="seconds"), __version__, tuple(command), environment(),
            mode, seed, tuple(faults), tuple(legs), bench,
        )  # fmt: skip
        try:
            (folder / "parts").mkdir()
        except OSError as error:
            raise cannot_write(folder / "parts", error) from None
        _write_header(folder, header)
        return cls(folder, header)

    def part(self, name: str) -> PartWriter:
        """A new part. Another process makes its own with `PartWriter(folder, name)`."""
        return PartWriter(self.folder, name)

    def test_end(self, test: str, word: str, *, leg: str, seconds: float, reason: str = "") -> None:
        """How one test ended: its word ("pass", "fail", "inconclusive", "invalid", "not run", "bench error",
        "not judged", ...), how long it took on the wall clock, and why, where that is not in a verdict."""
        body = {"test": test, "word": word, "leg": leg, "seconds": round(seconds, 3), "reason": reason}
        self._journal.append("test_end", 0, body)

    def seal(self) -> RunHeader:
        """End the run: hash every file into run.json. Nothing may be written to the record afterwards."""
        self._journal.append("part_end", 0, {})
        self._journal.close()
        self.header = replace(self.header, sealed=hashes(self.folder))
        _write_header(self.folder, self.header)
        return self.header

    def close(self) -> None:
        """Leave the run unsealed, as an interrupted one; harmless after `seal`."""
        self._journal.close()


def environment() -> dict[str, str]:
    """Versions of Python, the platform and the libraries results may depend on."""
    found = {"python": sys.version.split()[0], "platform": platform.platform()}
    for library in _LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found


def files(folder: Path) -> Iterator[Path]:
    """Every file of the record below a run's folder, in order, without run.json and the reports."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if name not in ("run.json", *REPORTS) and (path.is_symlink() or not path.is_dir()):
            yield path


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of the record by its path in the folder."""
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in files(folder)}


def sha256_of(path: Path) -> str:
    """SHA-256 of one file, hexadecimal; RecordError when it cannot be read."""
    try:
        with path.open("rb") as file:
            return file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from None


def _short(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9._+-]+", "-", text)[:40].strip(".+-").replace("+", "_") or "leg"


def _new_folder(runs: Path, stem: str) -> Path:
    for number in range(1, 100):
        folder = runs / names.checked(f"{stem}-{number:02d}", "a run")
        try:
            runs.mkdir(parents=True, exist_ok=True)
            folder.mkdir()
        except FileExistsError as error:
            if not runs.is_dir():
                raise cannot_write(runs, error) from None
            continue
        except OSError as error:
            raise cannot_write(folder, error) from None
        return folder
    raise RecordError(f"{runs}: there are 99 runs named {stem} already")


def _write_header(folder: Path, header: RunHeader) -> None:
    path, new = folder / "run.json", folder / "run.json.new"
    try:
        # Replaced as a whole, so that a reader sees the old header or the new one and never half of either.
        with new.open("x", encoding="ascii") as file:
            file.write(dumps(to_json(header)) + "\n")
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise cannot_write(path, error) from None
