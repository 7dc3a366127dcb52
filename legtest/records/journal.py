"""What happened in a part of a run, event by event, in a file that is only ever added to.

JSON Lines: the first line says the format, every other line is one event. Each event reaches the operating system
before the next thing happens, so a killed process loses nothing it had journalled.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

from legtest.errors import RecordError
from legtest.records.encode import dumps, loads, plain
from legtest.records.files import cannot_read, cannot_write, open_plain

FORMAT = "legtest journal"
VERSION = 2
READABLE = (1, 2)  # version 1 has the names of files where version 2 says which rows are a movement's
KINDS = (
    "part_begin",
    "precheck",
    "setup",
    "segment",
    "measurement",
    "verdict",
    "bench_error",
    "note",
    "test_end",
    "comparison",
    "trend",
    "attendance",
    "selected",
    "part_end",
)
LARGEST_LINE = 1 << 20
LARGEST_JOURNAL = 64 << 20
MOST_EVENTS = 200_000


class Event(NamedTuple):
    """One fact: its number in the journal, when (ns since the link was opened), of which kind, and what."""

    n: int
    t_ns: int
    kind: str
    body: Mapping[str, Any]


class Contents(NamedTuple):
    """A journal as read; `torn`: its last line was cut off while it was written, and left out.

    sha256: of the whole file, hexadecimal.
    """

    events: tuple[Event, ...]
    torn: bool
    sha256: str


class Journal:
    """The writing end of one journal file; one writer per file."""

    def __init__(self, path: Path) -> None:
        """Start a new journal; RecordError when it exists already or cannot be written."""
        self._path = path
        self._next = 0
        self._size = 0
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise cannot_write(path, error) from None
        self._write(dumps({"format": FORMAT, "version": VERSION}))

    @property
    def next_number(self) -> int:
        """The number the next event will have."""
        return self._next

    def append(self, kind: str, t_ns: int, body: Mapping[str, Any]) -> Event:
        """Add one event. `body` must be plain data or records of ours (see `encode.plain`).

        Raises RecordError when the file cannot take it; the journal is then as it was before.
        """
        if kind not in KINDS:
            raise ValueError(f"{kind!r} is no kind of event; the kinds are {', '.join(KINDS)}")
        event = Event(self._next, int(t_ns), kind, plain(body))
        text = dumps(event._asdict())
        if len(text) > LARGEST_LINE:
            raise RecordError(f"{self._path}: a {kind} event of {len(text)} bytes is larger than {LARGEST_LINE}")
        if self._next >= MOST_EVENTS or self._size + len(text) >= LARGEST_JOURNAL:
            raise RecordError(f"{self._path}: the journal is full ({self._next} events, {self._size} bytes)")
        self._write(text)
        self._next += 1
        if kind == "part_end":
            self._sync()
        return event

    def close(self) -> None:
        """Let go of the file; harmless when repeated."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _write(self, text: str) -> None:
        if self._fd < 0:
            raise RecordError(f"{self._path}: the journal is closed")
        rest = memoryview(text.encode() + b"\n")
        written = len(rest)
        try:
            while rest:
                rest = rest[os.write(self._fd, rest) :]
        except OSError as error:
            self._take_back()
            raise cannot_write(self._path, error) from None
        self._size += written

    def _take_back(self) -> None:
        # Half a line would make every later event unreadable; cutting it off needs no space on a full disk.
        try:
            os.ftruncate(self._fd, self._size)
        except OSError:
            self.close()

    def _sync(self) -> None:
        try:
            os.fsync(self._fd)
        except OSError as error:
            raise cannot_write(self._path, error) from None


def read_journal(path: Path, within: Path | None = None) -> Contents:
    """The events of a journal, whoever wrote it and however its writer ended.

    within: see `files.open_plain`. A last line without an end is left out and reported as `torn`; anything else that
    is wrong raises RecordError naming file and line.
    """
    events: list[Event] = []
    digest, size, torn = sha256(), 0, False
    try:
        with open_plain(path, within) as file:
            for number, line in enumerate(iter(partial(file.readline, LARGEST_LINE + 2), b""), 1):
                digest.update(line)
                size += len(line)
                if size > LARGEST_JOURNAL or number > MOST_EVENTS + 1:
                    raise RecordError(f"{path}: not read: more than {LARGEST_JOURNAL} bytes or {MOST_EVENTS} events")
                torn = line[-1:] != b"\n"
                if len(line.rstrip(b"\n")) > LARGEST_LINE:
                    raise RecordError(f"{path}:{number}: the line is longer than {LARGEST_LINE} bytes")
                if torn:
                    break
                if number == 1:
                    _check_head(line, path)
                else:
                    events.append(_event(line, number - 2, f"{path}:{number}"))
    except OSError as error:
        raise cannot_read(path, error) from None
    return Contents(tuple(events), torn, digest.hexdigest())


def _check_head(line: bytes, path: Path) -> None:
    head = loads(line, f"{path}:1")
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise RecordError(f"{path}:1: this is not a legtest journal")
    if head.get("version") not in READABLE or isinstance(head["version"], bool):
        found = str(head.get("version"))[:40]
        raise RecordError(f"{path}:1: journal version {found}; this legtest reads 1 to {VERSION}")


def _event(line: bytes, n: int, where: str) -> Event:
    data = loads(line, where)
    if not isinstance(data, dict) or set(data) != {"n", "t_ns", "kind", "body"}:
        raise RecordError(f"{where}: not an event (n, t_ns, kind, body)")
    if data["n"] != n:
        found = str(data["n"])[:40]
        raise RecordError(f"{where}: event number {found} where {n} should be: lines are missing or added")
    if data["kind"] not in KINDS or type(data["t_ns"]) is not int or not isinstance(data["body"], dict):
        raise RecordError(f"{where}: not an event this legtest knows: kind {str(data['kind'])[:40]!r}")
    return Event(n, data["t_ns"], data["kind"], data["body"])
