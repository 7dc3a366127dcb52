"""Runs into the history and out of it. The records are the truth: a history may be deleted and imported again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot, isfinite
from pathlib import Path
from typing import Any

from legtest.errors import RecordError
from legtest.history.snapshot import Snapshot, Value, check_whole, snapshot
from legtest.history.sql import Database
from legtest.records.encode import dumps, to_json
from legtest.records.reading import read_run

FILE = "history.sqlite"
_NEW = -1  # number of the run that is not in the history yet
_VALUE = (
    "run_id", "leg", "test", "subject", "quantity", "n", "kind", "value", "u", "u_random", "dof", "word", "low", "high",
    "covariates",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One run of one leg in the history. drives: as in a snapshot, plain data."""

    run_id: int
    run: str
    uid: str
    started: str
    mode: str
    place: str
    faults: str
    legtest: str
    sha256: str
    drives: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Point:
    """One value, SI. u_random: the part of its uncertainty that is not systematic. low, high: its limits."""

    run_id: int
    key: tuple[str, str, str, int]  # test, subject, quantity, number
    kind: str
    value: float
    u: float
    u_random: float
    word: str
    low: float | None
    high: float | None


def default_place(runs: Path) -> str:
    """Where the history of a folder of runs lies when nothing else is said."""
    return str(runs / FILE)


def add(database: Database, run: Snapshot) -> bool:
    """Add a run; False when it was there already, whoever added it, from whichever copy of the record.

    Raises RecordError; then nothing of the run was added.
    """
    if not run.uid:
        raise RecordError(f"{run.run}: not added to the history: the run is not sealed")
    with database.transaction():
        found = database.execute(
            "INSERT INTO run (uid, name, started, mode, place, bench, stand, seed, faults, legtest) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (uid) DO NOTHING RETURNING id",
            (run.uid, run.run, run.started, run.mode, run.place, run.bench, run.stand, run.seed,
             ", ".join(run.faults), run.legtest),
        ).fetchone()  # fmt: skip
        if found is None:
            return False
        run_id = int(found[0])
        tested = [
            (leg, run.started, run_id, digest, _json([d for d in run.drives if d.leg == leg]),
             _json([f for f in run.fingerprints if f.leg == leg]))
            for leg, digest in run.legs.items()
        ]  # fmt: skip
        columns = ("leg", "started", "run_id", "sha256", "drives", "fingerprints")
        database.insert_many("tested", columns, tested)
        database.insert_many("value", _VALUE, (_row(run_id, value) for value in run.values))
    return True


def import_runs(
    database: Database, folders: Sequence[Path], done: Callable[[Path, str], None], *, behaviour: bool = True
) -> tuple[int, int]:
    """Import runs from their records: how many were new, and how many could not be.

    done: told each folder, and "added", "there already" or why not. One bad record does not keep the others out.
    """
    added = failed = 0
    for folder in folders:
        try:
            run = read_run(folder)
            check_whole(run, "not imported")
            new = add(database, snapshot(run, behaviour=behaviour))
        except RecordError as error:
            failed += 1
            done(folder, str(error))
        else:
            added += new
            done(folder, "added" if new else "there already")
    return added, failed


def run_folders(path: Path) -> list[Path]:
    """The run in a folder, or the runs in a folder of runs. RecordError when there is none."""
    if (path / "run.json").exists():
        return [path]
    try:
        found = sorted(each.parent for each in path.glob("*/run.json"))
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror or error}") from None
    if not found:
        raise RecordError(f"{path}: neither a run nor a folder of runs")
    return found


def runs_of(database: Database, leg: str, last: int) -> list[Row]:
    """The newest runs of a leg, oldest first."""
    rows = database.execute(
        "SELECT run.id, run.name, run.uid, run.started, run.mode, run.place, run.faults, run.legtest, tested.sha256, "
        "tested.drives FROM tested JOIN run ON run.id = tested.run_id WHERE tested.leg = ? "
        "ORDER BY tested.started DESC, tested.run_id DESC LIMIT ?",
        (leg, last),
    ).fetchall()
    return [Row(*(*row[:9], tuple(json.loads(row[9])))) for row in reversed(rows)]


def points_of(database: Database, leg: str, rows: Sequence[Row]) -> Iterator[Point]:
    """The values of a leg in these runs, in no order."""
    ids = [row.run_id for row in rows]
    for begin in range(0, len(ids), 500):  # SQLite takes 999 values in a statement where it is old
        some = ids[begin : begin + 500]
        found = database.execute(
            "SELECT run_id, test, subject, quantity, n, kind, value, u, u_random, word, low, high FROM value "
            f"WHERE run_id IN ({', '.join('?' * len(some))}) AND leg = ?",
            (*some, leg),
        )
        for run_id, test, subject, quantity, n, kind, value, u, u_random, *rest in found.fetchall():
            if value is not None and u is not None:
                yield Point(run_id, (test, subject, quantity, n), kind, value, u, u_random or 0.0, *rest)


def legs_in(database: Database) -> list[str]:
    """The legs there are, in order."""
    return [row[0] for row in database.execute("SELECT DISTINCT leg FROM tested ORDER BY leg").fetchall()]


def unsealed_row(run: Snapshot, leg: str) -> Row:
    """A run that is not in the history yet, as if it were."""
    drives = tuple(to_json(drive) for drive in run.drives if drive.leg == leg)
    faults = ", ".join(run.faults)
    return Row(_NEW, run.run, "", run.started, run.mode, run.place, faults, run.legtest, run.legs[leg], drives)


def unsealed_points(run: Snapshot, leg: str) -> Iterator[Point]:
    """Its values of one leg."""
    for value in run.values:
        m = value.measurement
        if value.leg == leg and isfinite(m.value) and isfinite(m.u):
            key = (value.test, m.subject, m.quantity, value.n)
            yield Point(_NEW, key, m.kind, m.value, m.u, _random(value), value.word, value.low, value.high)


def _row(run_id: int, value: Value) -> tuple[Any, ...]:
    m = value.measurement
    return (
        run_id, value.leg, value.test, m.subject, m.quantity, value.n, m.kind, _real(m.value), _real(m.u),
        _real(_random(value)), _real(m.dof), value.word, value.low, value.high, dumps(m.covariates),
    )  # fmt: skip


def _random(value: Value) -> float:
    return hypot(*(line.u for line in value.measurement.budget if not line.systematic))


def _real(x: float) -> float | None:
    return x if isfinite(x) else None  # an infinite number of degrees of freedom is stored as none


def _json(records: Sequence[object]) -> str:
    return dumps([to_json(record) for record in records])
