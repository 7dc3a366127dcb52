"""Names of files and folders inside a record: short, portable, and nothing a shell or a reader trips over."""

from __future__ import annotations

import re
from hashlib import sha256

from legtest.errors import RecordError

LONGEST = 64
_ALLOWED = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}", re.ASCII)


def is_safe(name: str) -> bool:
    """Whether a name has 1 to 64 of the characters A-Z a-z 0-9 . _ - and does not begin with a dot."""
    return _ALLOWED.fullmatch(name) is not None


def checked(name: str, what: str) -> str:
    """The name, if it is safe; RecordError saying what is allowed otherwise."""
    if not is_safe(name):
        raise RecordError(
            f"{name[:80]!r} cannot name {what}: use 1 to {LONGEST} of the characters A-Z a-z 0-9 . _ - and no dot first"
        )
    return name


def safe(text: str) -> str:
    """A safe name for any text: a safe text itself, else its readable end and eight digits of its hash."""
    if is_safe(text):
        return text
    digest = sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    readable = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-")
    return f"{readable[-(LONGEST - 9) :].strip('-') or 'x'}-{digest}"
