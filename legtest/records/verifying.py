"""Is the record of a run complete and unchanged? Every file is read and hashed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from legtest.errors import RecordError
from legtest.records.run import HEADER, files, sha256_of
from legtest.records.samples import SEALED, STREAM, SampleFile

if TYPE_CHECKING:
    from legtest.records.reading import Part, Run


def problems_of(run: Run) -> Iterator[str]:
    """What is wrong with a run's record, in words; nothing when it is complete and unchanged. Raises RecordError."""
    if run.header.sealed is None:
        yield f"{HEADER}: {run.problem}"
    for part in run.parts:
        yield from _part(part)
        yield from _descriptions(run, part)
    yield from _seal(run)


def _part(part: Part) -> Iterator[str]:
    where = f"parts/{part.name}"
    if part.torn:
        yield f"{where}/journal.jsonl: the last line was cut off while it was written"
    if not part.ended:
        yield f"{where}/journal.jsonl: no part_end: the part was interrupted"
    try:
        log = part.frame_log
        if log.torn:
            yield f"{where}/frames.log: the last line was cut off while it was written"
        last = max((span.last for record in part.segments for span in record.segment.spans), default=0)
        if last > log.frames:
            yield f"{where}/frames.log: {log.frames} frames, but movements up to frame {last} were journalled"
        _ = part.judgements, part.wiremaps, part.sync_id
        for record in part.segments:
            for name in record.samples:
                part.samples(name)
    except RecordError as error:
        yield str(error)
    try:
        yield from _samples(part)
    except RecordError as error:
        yield str(error)


def _samples(part: Part) -> Iterator[str]:
    """What is wrong with the file of samples beside what a movement that is read says of it."""
    path = part.sample_file
    if path is None:
        return
    where = f"parts/{part.name}/{path.name}"
    wanted = max((kept.first_row + kept.rows for kept in part.rows.values()), default=0)
    with SampleFile.open(path, part.folder.parent.parent) as file:
        if path.name == STREAM:
            torn = "; the last block was cut off while it was written" if file.torn else ""
            yield f"{where}: a stream that was never sealed, {file.rows} rows are readable{torn}"
        if file.rows > wanted:
            yield f"{where}: {file.rows - wanted} rows of a movement that was not finished"
    if path.name == SEALED and (part.folder / STREAM).exists():
        yield f"{where}: sealed, but the stream it was made of is still there"


def _descriptions(run: Run, part: Part) -> Iterator[str]:
    """The files kept in the part are those the run's header was made from."""
    leg = run.leg(part.leg)
    bench = run.header.bench
    for name, digest in (
        ("leg.yaml", leg.sha256 if leg else ""),
        ("bench.yaml", bench.sha256),
        ("stand.yaml", bench.stand.sha256),
    ):
        path = part.folder / "descriptions" / name
        if path.is_file() and sha256_of(path, run.folder) != digest:
            yield f"parts/{part.name}/descriptions/{name}: not the file that the run's description was made from"


def _seal(run: Run) -> Iterator[str]:
    if run.header.sealed is None:
        return
    sealed = {name: digest for name, digest in run.header.sealed.items() if name != HEADER}
    found = {path.relative_to(run.folder).as_posix(): path for path in files(run.folder)}
    for name, expected in sorted(sealed.items()):
        try:
            if name not in found:
                yield f"{name}: missing, though the run was sealed with it"
            elif sha256_of(found[name], run.folder) != expected:
                yield f"{name}: changed since the run was sealed"
        except RecordError as error:
            yield str(error)
    for name in sorted(set(found) - set(sealed)):
        yield f"{name}: not there when the run was sealed"
