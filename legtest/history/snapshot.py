"""What of a run is compared with other runs: its values with their budgets, where they were measured, and on what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from legtest.description.model import BenchDescription, LegDescription, Limit
from legtest.errors import RecordError
from legtest.history.fingerprint import Fingerprint, fingerprints
from legtest.metrology.equivalence import margin_of
from legtest.metrology.measurement import Measurement
from legtest.quantities import QUANTITIES
from legtest.records.encode import dumps, to_json
from legtest.records.reading import Run
from legtest.records.verifying import problems_of

# Of a bench's description: what says nothing about the numbers measured there.
_NO_MATTER = ("path", "sha256", "stand.path", "stand.sha256", "channel", "heartbeat_s", "loss_s", "max_age_s")
_NO_MATTER_BELOW = ("stand.measures.", "protection.")


@dataclass(frozen=True, slots=True)
class Drive:
    """The drive of one joint. declared_firmware: as a person says it, for a drive that cannot report its own."""

    leg: str
    joint: str
    serial: int | None
    vendor: int | None
    product: int | None
    revision: int | None
    declared_firmware: str


@dataclass(frozen=True, slots=True)
class Value:
    """One judged value. test: its id without folders. n: of several of this quantity in one test, which.

    margin: how far the quantity may move (SI), None when nobody says so; margin_from: who says so, or why nobody does.
    """

    leg: str
    test: str
    n: int
    measurement: Measurement
    word: str
    low: float | None
    high: float | None
    margin: float | None
    margin_from: str

    @property
    def label(self) -> str:
        """As people read it: "knee Coulomb friction"."""
        m = self.measurement
        title = QUANTITIES[m.quantity].title if m.quantity in QUANTITIES else m.quantity.replace("_", " ")
        return f"{m.subject} {title}{f' ({self.n + 1})' if self.n else ''}"

    @property
    def key(self) -> Key:
        return self.leg, self.test, self.measurement.subject, self.measurement.quantity, self.n


Key = tuple[str, str, str, str, int]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A run, as far as it is compared. uid: of its record, "" before it is sealed. started: ISO 8601, UTC.

    setting: what of bench and stand the numbers depend on. legs: SHA-256 of each leg's file by its name.
    """

    uid: str
    run: str
    started: str
    mode: str
    seed: int | None
    faults: tuple[str, ...]
    legtest: str
    bench: str
    stand: str
    setting: Mapping[str, Any]
    legs: Mapping[str, str]
    drives: tuple[Drive, ...]
    fingerprints: tuple[Fingerprint, ...]
    values: tuple[Value, ...]

    @property
    def place(self) -> str:
        """A digest of all that must be the same for values to lie on one line: bench, stand, mode, simulated leg."""
        return sha256(dumps([self.mode, self.seed, self.setting]).encode()).hexdigest()[:16]


def check_whole(run: Run, without: str) -> None:
    """Raises RecordError, which begins with what cannot be done, for a record that is not as it was sealed.

    Every file counts: frames and samples too, of which little is read here.
    """
    if run.problem:
        raise RecordError(f"{run.folder}: {without}: {run.problem}")
    changed = list(dict.fromkeys(problems_of(run)))
    if changed:
        raise RecordError(f"{run.folder}: {without}: {changed[0]}; `legtest verify` says all that is wrong with it")


def snapshot(run: Run, *, behaviour: bool = True) -> Snapshot:
    """What of a run is compared. behaviour: also the drives' fingerprints, for which frames are read.

    Raises RecordError for a record that cannot be read.
    """
    header = run.header
    return Snapshot(
        uid_of(run),
        run.folder.name,
        _utc(header.started, run),
        header.mode,
        header.seed,
        header.faults,
        header.legtest,
        header.bench.name,
        header.bench.stand.name,
        _setting(header.bench),
        {leg.name: leg.sha256 for leg in header.legs},
        tuple(_drives(header.legs)),
        tuple(replace(each, test=short_test(each.test)) for each in fingerprints(run)) if behaviour else (),
        tuple(_in_order(run, _values(run))),
    )


def uid_of(run: Run) -> str:
    """The same for every copy of a record, another for every other one; "" for a run that is not sealed."""
    return uid_of_seal(run.header.sealed)


def uid_of_seal(sealed: Mapping[str, str] | None) -> str:
    """The same of a run's seal."""
    return "" if sealed is None else sha256(dumps(sealed).encode()).hexdigest()


def short_test(test: str) -> str:
    """A test's id without the folders of its file, which depend on where pytest was started."""
    file, mark, rest = test.partition("::")
    return file.rpartition("/")[2] + mark + rest


def _utc(started: str, run: Run) -> str:
    try:
        when = datetime.fromisoformat(started)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise RecordError(f"{run.folder}: {started[:40]!r} is not an instant with its offset from UTC")
    return when.astimezone(UTC).isoformat(timespec="seconds")


def _setting(bench: BenchDescription) -> dict[str, Any]:
    flat = dict(_flat("", to_json(bench)))
    return {
        name: value for name, value in flat.items() if name not in _NO_MATTER and not name.startswith(_NO_MATTER_BELOW)
    }


def _flat(prefix: str, data: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for name, value in data.items():
        if isinstance(value, Mapping):
            yield from _flat(f"{prefix}{name}.", value)
        else:
            yield f"{prefix}{name}", value


def _drives(legs: tuple[LegDescription, ...]) -> Iterator[Drive]:
    for leg in legs:
        for joint in leg.joints:
            d = joint.drive
            yield Drive(leg.name, joint.name, d.serial, d.vendor, d.product, d.revision, d.declared_firmware)


def _in_order(run: Run, values: Iterable[Value]) -> list[Value]:
    """As the tests ended; those that did not, last. Parts lie in the record by their folders' names."""
    ended = {short_test(end.test): n for n, end in enumerate(run.tests)}
    return sorted(values, key=lambda value: ended.get(value.test, len(ended)))


def _values(run: Run) -> Iterator[Value]:
    seen: Counter[tuple[str, str, str, str]] = Counter()
    for part in run.parts:
        leg = run.leg(part.leg)
        for test, verdict in part.judgements:
            m, name = verdict.measurement, leg.name if leg else part.leg
            where = (name, short_test(test), m.subject, m.quantity)
            limit = _limit(leg, m, verdict.limit)
            margin, source = margin_of(limit, m.quantity)
            low, high = (limit.low, limit.high) if limit else (None, None)
            yield Value(name, where[1], seen[where], m, verdict.word.value, low, high, margin, source)
            seen[where] += 1


def _limit(leg: LegDescription | None, m: Measurement, judged_by: Limit | None) -> Limit | None:
    """The leg file's, or the test's own; a margin that the leg file states holds in either case."""
    stated = leg.criteria.limit(m.quantity, m.subject) if leg else None
    if judged_by is None or stated is None or stated.kind != m.kind:
        return judged_by or (stated if stated and stated.kind == m.kind else None)
    return judged_by if stated.margin is None else judged_by._replace(margin=stated.margin)
