"""A part of a run evaluated again from its frames, and compared with what its journal says.

The movements come from frames.log through the same decoding, `evaluate` and decision as in the run, so nothing may
differ in any digit. What is read is not trusted.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from legtest.description.model import LegDescription
from legtest.errors import LegtestError, RecordError
from legtest.metrology.decision import decide
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.procedures.base import Declaration
from legtest.procedures.catalogue import BY_NAME
from legtest.records.encode import dumps, from_json
from legtest.records.reading import Part, SegmentRecord, read_run, verdict_in
from legtest.records.recorded import Recorded
from legtest.records.run import sha256_of
from legtest.records.trace import Trace


class Difference(NamedTuple):
    """One thing the journal says otherwise. journalled, again: JSON text, or words where there is no value."""

    line: int
    test: str
    what: str
    journalled: str
    again: str

    def __str__(self) -> str:
        return (
            f"journal.jsonl:{self.line}: {self.test}: {self.what} differs\n"
            f"  journal: {self.journalled}\n  again:   {self.again}"
        )


@dataclass(slots=True)
class Replayed:
    """What came out of one part. measurements, verdicts: how many were compared.

    others: quantities that come from no built-in procedure, which are not compared.
    """

    measurements: int = 0
    verdicts: int = 0
    others: list[str] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)


def replay(folder: Path) -> tuple[Difference, ...]:
    """Everything that differs in the part in this folder (RUN/parts/PART).

    Raises RecordError when the record cannot be read, or holds nothing to compare.
    """
    run = read_run(folder.parent.parent)
    part = next((each for each in run.parts if each.name == folder.name), None)
    if part is None:
        raise RecordError(f"{folder}: no such part; there are {', '.join(each.name for each in run.parts)}")
    result = replay_part(part, run.leg(part.leg))
    if not result.measurements:
        raise RecordError(f"{folder}: nothing to compare: no measurement of a built-in procedure")
    return tuple(result.differences)


def replay_part(
    part: Part, leg: LegDescription | None, procedures: Mapping[str, Declaration] = BY_NAME
) -> Replayed:
    """Evaluate every movement of these procedures again, and decide every verdict again.

    leg: as run.json describes it. Raises RecordError when the record cannot be read.
    """
    if leg is None:
        raise RecordError(f"{part.folder}: its leg {part.leg!r} is not described in run.json")
    _check_description(part, leg)
    result = Replayed()
    # What each test may have measured of a quantity: one text for each movement that gives it.
    again: dict[tuple[str, str], list[str]] = {}
    journalled: set[str] = set()
    for event in part.events:
        where = f"{part.folder / 'journal.jsonl'}:{event.n + 2}"
        test = from_json(str, event.body.get("test", ""), f"{where}.test")
        if event.kind == "segment":
            record = part.segment_of(event)
            procedure = procedures.get(record.segment.procedure)
            if procedure is not None and procedure.per_joint == (record.segment.joint is not None):
                recorded = _recorded(part, leg, record, where)
                _compare_samples(result, event.n + 2, part, record, recorded.whole)
                for quantity, texts in _evaluated(procedure, recorded).items():
                    again.setdefault((test, quantity), []).extend(texts)
        elif event.kind == "measurement":
            measurement = from_json(Measurement, event.body.get("measurement"), f"{where}.measurement")
            journalled.add(dumps(measurement))
            _compare(result, event.n + 2, test, measurement, again.get((test, measurement.quantity)))
        elif event.kind == "verdict":
            verdict = verdict_in(event, where)
            m = verdict.measurement
            known = (test, m.quantity) not in again or dumps(m) in journalled.union(again[test, m.quantity])
            _decide(result, event.n + 2, test, verdict, leg, known)
    return result


def _check_description(part: Part, leg: LegDescription) -> None:
    folder = part.folder / "descriptions"
    kept = [path for path in folder.glob("*") if path.is_file() and not path.is_symlink()]
    if kept and leg.sha256 not in map(sha256_of, kept):
        raise RecordError(f"{folder}: no file in it is the one that run.json was made from (leg {leg.name})")


def _recorded(part: Part, leg: LegDescription, record: SegmentRecord, where: str) -> Recorded:
    segment = record.segment
    if segment.joint is not None and segment.joint not in leg.joint_names:
        raise RecordError(f"{where}: leg {leg.name} has no joint {segment.joint!r}")
    # The samples kept of a movement say which frames they were made from; these hold all that `evaluate` saw.
    behind = [*((span.first, span.last) for span in segment.spans), *map(part.frames_of, record.samples)]
    first, last = min((b for b, _ in behind), default=0), max((e for _, e in behind), default=0)
    for span in segment.spans:
        if not 0 <= first <= span.first < span.last:
            raise RecordError(f"{where}: span {span.label!r} cannot be frames {span.first} to {span.last}")
    frames = part.each_frame(first, last)
    try:
        return Recorded(segment, leg, part.wiremaps, part.sync_id, frames, first, part.frames)
    except RecordError:
        raise
    except (LegtestError, LookupError, ValueError, TypeError) as error:
        raise RecordError(f"{where}: its frames cannot be decoded: {error}") from error


def _compare_samples(result: Replayed, line: int, part: Part, record: SegmentRecord, whole: Trace) -> None:
    """What reports show is what was evaluated: the samples in the record are those of its frames, to the last bit."""
    for name in record.samples:
        kept = part.samples(name)
        if (kept.first_frame, kept.last_frame) != (whole.first_frame, whole.last_frame):
            continue  # of one span, in records of version 1 and 2
        same = kept.columns.keys() == whole.columns.keys() and all(
            np.array_equal(column, whole.columns[key], equal_nan=True) for key, column in kept.columns.items()
        )
        if not same or not np.array_equal(kept.t_ns, whole.t_ns):
            words = f"{len(kept)} rows, {len(kept.columns)} columns", "other samples come of its frames"
            result.differences.append(Difference(line, record.test, f"samples {name}", *words))


def _evaluated(procedure: Declaration, recorded: Recorded) -> dict[str, list[str]]:
    """The measurements as JSON, by quantity; every quantity of the procedure is there, or why there is none."""
    texts: dict[str, list[str]] = {quantity: [] for quantity in procedure.quantities}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # a value that is no number is compared like any other
            for measurement in procedure.evaluate(recorded):
                texts.setdefault(measurement.quantity, []).append(dumps(measurement))
    except Exception as error:  # noqa: BLE001  (whatever frames of unknown origin lead to, the rest is still compared)
        return {quantity: [f"cannot be evaluated: {type(error).__name__}: {error}"] for quantity in texts}
    return texts


def _compare(result: Replayed, line: int, test: str, journalled: Measurement, again: list[str] | None) -> None:
    what = f"{journalled.subject} {journalled.quantity}"
    if again is None:
        result.others.append(what)
        return
    result.measurements += 1
    text = dumps(journalled)
    if text not in again:
        nearest = next((each for each in again if f'"subject":{dumps(journalled.subject)}' in each), None)
        found = nearest or (again[0] if again else "no such measurement")
        result.differences.append(Difference(line, test, what, text, found))


def _decide(
    result: Replayed, line: int, test: str, journalled: Verdict, leg: LegDescription, known: bool
) -> None:
    if journalled.word is Word.NOT_RUN:
        return
    m = journalled.measurement
    result.verdicts += 1
    try:
        decided = dumps(decide(m, journalled.limit, leg.decision))
    except (ValueError, ArithmeticError) as error:
        decided = f"cannot be decided: {error}"
    if not known:
        decided = f"decided on a value that was not measured: {dumps(m)}"
    text = dumps(journalled)
    if text != decided:
        result.differences.append(Difference(line, test, f"verdict on {m.subject} {m.quantity}", text, decided))
