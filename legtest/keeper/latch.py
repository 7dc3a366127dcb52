"""The latch of a bench: set when the monitor stopped a live leg, and cleared by a person and nobody else.

A small file for each adapter, kept across processes and restarts of the computer. It lies in the home folder of the
user by the system's own list, whatever the environment says; a rehearsal's lies beside its channel and ends with it.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from legtest.errors import LinkError, UsageError
from legtest.keeper.codec import from_json, to_json

_LARGEST = 65_536
_REHEARSAL = "rehearsal:"


class Latched(NamedTuple):
    """Why, as the monitor said it, and when (ISO 8601, with its zone)."""

    identity: str
    reasons: tuple[str, ...]
    when: str


def path_for(identity: str) -> Path:
    """Where the latch of an adapter is kept. Raises UsageError where the system knows no home folder of this user."""
    if identity.startswith(_REHEARSAL):
        return Path(f"{identity.removeprefix(_REHEARSAL)}.latch.json")
    try:
        import pwd

        home = Path(pwd.getpwuid(os.geteuid()).pw_dir)
    except (ImportError, KeyError) as error:
        raise UsageError("this user has no home folder, which the latch of a live bench needs") from error
    name = hashlib.sha256(identity.encode()).hexdigest()[:16]
    return home / ".local/state/legtest" / f"latch-{name}.json"


def read(path: Path) -> Latched | None:
    """What is latched, None when nothing is. A file that cannot be read latches as well."""
    try:
        with path.open("rb") as file:
            text = file.read(_LARGEST)
    except FileNotFoundError:
        return None
    except OSError as error:
        return Latched("", (f"{path} cannot be read: {error.strerror or error}",), "")
    try:
        return from_json(Latched, text)
    except LinkError as error:  # whatever stands there: it was set
        return Latched("", (f"{path} is not understood: {error}",), "")


def set(path: Path, identity: str, reasons: tuple[str, ...], when: str) -> None:  # noqa: A001 - latch.set
    """Set it; reasons that stand there already stay. Raises OSError."""
    before = read(path)
    kept = before.reasons if before else ()
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    new = path.with_name(f"{path.name}.new")
    fd = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    with os.fdopen(fd, "wb") as file:
        added = tuple(reason for reason in reasons if reason not in kept)
        file.write(to_json(Latched(identity, (kept + added)[:100], before.when if before else when)) + b"\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)


def prepare(path: Path) -> None:
    """Make sure that it could be set. Raises UsageError."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        probe = path.with_name(f"{path.name}.new")
        os.close(os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW, 0o600))
        probe.unlink()
    except OSError as error:
        why = f"the latch of a live bench is kept there: {error.strerror}; make it writable"
        raise UsageError(f"{path.parent}: {why}") from error


def clear(path: Path, by: str, when: str) -> None:
    """Clear it; who did, and what it said, stays beside it. Raises OSError."""
    with suppress(FileNotFoundError):
        text = path.read_bytes().decode("utf-8", "replace")[:_LARGEST]
        with path.with_name(f"{path.stem}.cleared.jsonl").open("a", encoding="utf-8") as file:
            file.write(json.dumps({"by": by, "when": when, "latched": text}) + "\n")
        path.unlink()
