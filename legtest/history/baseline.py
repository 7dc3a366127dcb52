"""Baselines: runs that somebody signed for, by name, as files. A name is never given to another run in silence.

    <folder>/<name>/001.json, 002.json, ...     one file for each acceptance; the last one holds, the others stay
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from math import inf
from pathlib import Path

from legtest.errors import RecordError, UsageError
from legtest.history.snapshot import Snapshot, check_whole, snapshot
from legtest.records.encode import dumps, from_json, loads, to_json
from legtest.records.files import read_whole
from legtest.records.reading import Run, read_run
from legtest.units import KINDS

FORMAT, VERSION = "legtest baseline", 1
LARGEST = 32 << 20
MOST_NAMES = 10_000
_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")


@dataclass(frozen=True, slots=True)
class Baseline:
    """One acceptance. accepted: ISO 8601 with offset. by: who signs for it. digest: of all the rest, against slips."""

    format: str
    version: int
    name: str
    number: int
    accepted: str
    by: str
    reason: str
    snapshot: Snapshot
    digest: str = ""


def accept(
    run: Run, folder: Path, *, name: str, by: str, reason: str, now: datetime, supersede: bool = False
) -> tuple[Baseline, Path]:
    """Keep a run as a baseline. now: with its offset from UTC.

    supersede: the name may have one already, which stays where it is. Raises UsageError for a name that is none or is
    taken, and for a signature or reason that is empty; RecordError for a run that is not sealed or was changed.
    """
    _check_name(name)
    check_signed(by, reason)
    check_whole(run, "no baseline")
    taken = list(_files(folder, name))
    if taken and not supersede:
        before = _read(taken[-1])
        raise UsageError(
            f"{name} is {before.snapshot.run}, accepted {before.accepted[:10]} by {before.by}: choose another name, "
            "or say --supersede; the old one is kept"
        )
    kept = snapshot(run)
    if not kept.values:
        raise RecordError(f"{run.folder}: no baseline: nothing was judged in it")
    number = int(taken[-1].stem) + 1 if taken else 1
    made = Baseline(FORMAT, VERSION, name, number, now.isoformat(timespec="seconds"), by, reason, kept)
    made = replace(made, digest=_digest(made))
    path = folder / name / f"{number:03d}.json"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="ascii") as file:  # two people at once: one of them hears of it
            file.write(dumps(to_json(made)) + "\n")
    except OSError as error:
        raise RecordError(f"{path}: the baseline cannot be written: {error.strerror or error}") from None
    return made, path


def check_signed(by: str, reason: str) -> None:
    """Raises UsageError for a signature or a reason that is empty, long, or more than a line."""
    for what, text in (("by", by), ("reason", reason)):
        if not text.strip() or len(text) > 500 or not text.isprintable():
            raise UsageError(f"--{what}: one line of 1 to 500 printable characters, not {text[:40]!r}")


def find(folder: Path, name_or_run: str) -> Baseline:
    """The baseline of that name, or a run's folder as if it were one. Raises UsageError, RecordError."""
    path = Path(name_or_run)
    if (path / "run.json").is_file():
        run = read_run(path)
        check_whole(run, "not compared with")
        return Baseline(FORMAT, VERSION, "", 0, "", "", "", snapshot(run))
    known = names(folder)
    if name_or_run not in known:
        said = ", ".join(known) or "none"
        raise UsageError(
            f"{name_or_run!r} is neither the folder of a run nor a baseline in {folder} (there: {said}); "
            "`legtest baseline accept RUN --name ...` makes one"
        )
    return _read(list(_files(folder, name_or_run))[-1])


def names(folder: Path) -> list[str]:
    """The names there are, in order."""
    try:
        found = sorted(path.name for path in folder.iterdir() if path.is_dir() and _is_name(path.name))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RecordError(f"{folder}: cannot be read: {error.strerror or error}") from None
    return [name for name in found[:MOST_NAMES] if any(_files(folder, name))]


def acceptances(folder: Path, name: str) -> list[Baseline]:
    """Every acceptance under a name, oldest first. Raises UsageError, RecordError."""
    found = [_read(path) for path in _files(folder, name)]
    if not found:
        known = ", ".join(names(folder)) or "none"
        raise UsageError(f"there is no baseline {name[:40]!r} in {folder}; there are: {known}")
    return found


def accepted_for(folder: Path, leg: str) -> dict[str, str]:
    """What to say of runs of a leg that were accepted: by the run's uid, "accepted as NAME by BY: REASON"."""
    return {
        each.snapshot.uid: f"accepted as {each.name} by {each.by}: {each.reason}"
        for name in names(folder)
        for each in acceptances(folder, name)
        if leg in each.snapshot.legs
    }


def _files(folder: Path, name: str) -> Iterator[Path]:
    if _is_name(name):
        yield from sorted(p for p in (folder / name).glob("*.json") if p.stem.isdecimal() and p.stem.isascii())


def _read(path: Path) -> Baseline:
    data = loads(read_whole(path, LARGEST), str(path))
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise RecordError(f"{path}: this is not a legtest baseline")
    if data.get("version") != VERSION:
        raise RecordError(f"{path}: baseline version {str(data.get('version'))[:40]}; this legtest reads {VERSION}")
    made = from_json(Baseline, data, str(path))
    check_sound(made, str(path))
    if made.digest != _digest(made):
        raise RecordError(f"{path}: changed since it was accepted: accept the run again")
    return made


def check_sound(made: Baseline, where: str) -> None:
    """Raises RecordError for values of a kind that does not exist, or with a margin that is none."""
    for n, value in enumerate(made.snapshot.values):
        if value.measurement.kind not in KINDS:
            raise RecordError(f"{where}: value {n}: there is no kind of value {value.measurement.kind[:40]!r}")
        if value.margin is not None and not 0 < value.margin < inf:
            raise RecordError(f"{where}: value {n}: a margin of {value.margin:g}")


def _digest(made: Baseline) -> str:
    return sha256(dumps(to_json(replace(made, digest=""))).encode()).hexdigest()


def _is_name(name: str) -> bool:
    return 0 < len(name) <= 64 and not name.startswith((".", "-")) and {*name} <= _LETTERS


def _check_name(name: str) -> None:
    if not _is_name(name):
        allowed = "1 to 64 letters, digits, '-', '_' or '.', and none of '-.' in front"
        raise UsageError(f"{name[:40]!r} is no name: use {allowed}")
