"""study.jsonl: one line for each case that was run, written at once, so that an interrupted study goes on later."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from legtest.errors import RecordError
from legtest.study.case import Case, key_of

_NEEDED = (*Case._fields, "exit", "code", "tests", "verdicts")


def read(path: Path) -> dict[str, dict[str, Any]]:
    """Rows by the key of their case, the last of each; a torn last line is left out. {} when there is no file.

    Raises RecordError naming file and line.
    """
    if not path.exists():
        return {}
    rows: dict[str, dict[str, Any]] = {}
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None
    for number, line in enumerate(lines, 1):
        if not line:
            continue
        try:
            row = json.loads(line)
            missing = [name for name in _NEEDED if name not in row]
        except (json.JSONDecodeError, TypeError):
            if number == len(lines):
                continue
            raise RecordError(f"{path}:{number}: no row of a study: not JSON; delete the line") from None
        if missing:
            raise RecordError(f"{path}:{number}: no row of a study: {missing[0]} is missing; delete the line")
        rows[key_of(row)] = row
    return rows


def append(path: Path, row: dict[str, Any]) -> None:
    """Add a row. Raises RecordError when it cannot be written."""
    try:
        torn = path.exists() and path.stat().st_size > 0 and not path.read_bytes().endswith(b"\n")
        with path.open("a", encoding="utf-8") as file:
            file.write(("\n" if torn else "") + json.dumps(row) + "\n")
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from None
