"""Which objects a drive has, by its EDS (CiA 306): read with bounds, because the file may come from anybody.

The text itself is parsed by the canopen library, which interpolates nothing, includes nothing and runs nothing. Other
formats that the library knows by their suffix are not taken.
"""

from __future__ import annotations

import io
import logging
import re
import stat
import warnings
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from legtest.errors import DescriptionError, Problem

LARGEST_FILE = 1 << 20
MOST_SECTIONS = 20_000
LONGEST_LINE = 4096
SIZES = {0x0002: 1, 0x0003: 2, 0x0004: 4, 0x0005: 1, 0x0006: 2, 0x0007: 4}  # CiA 301 data type code -> bytes
_QUIET = logging.NullHandler()
_SECTION = re.compile(r"^\[([^\]]*)\]", re.MULTILINE)
_SUB = re.compile(r"[0-9A-Fa-f]{4}[Ss|]ub(.*)", re.DOTALL)


class EdsObject(NamedTuple):
    """size: bytes, 0 for a type without a fixed size."""

    size: int
    writable: bool


def objects_of(eds: str) -> Mapping[tuple[int, int], EdsObject]:
    """What the EDS lists, by index and sub-index. Raises DescriptionError."""
    try:
        path = Path(eds)
        if not stat.S_ISREG(path.stat().st_mode):
            raise _refused(eds, "not an ordinary file")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise _refused(eds, f"cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(content) > LARGEST_FILE:
        raise _refused(eds, f"larger than {LARGEST_FILE >> 10} kB; this is no EDS file")
    return _parsed(eds, content)


def _refused(eds: str, message: str) -> DescriptionError:
    return DescriptionError((Problem(eds, "", message),))


@lru_cache(maxsize=32)
def _parsed(eds: str, content: bytes) -> Mapping[tuple[int, int], EdsObject]:
    from canopen.objectdictionary import ODVariable
    from canopen.objectdictionary.eds import import_eds

    # What it remarks on repeats names of the file; nobody but a configured logger shall hear it.
    logging.getLogger("canopen").addHandler(_QUIET)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")  # only names and units can be hurt by this
    problem = _out_of_bounds(text)
    if problem:
        raise _refused(eds, f"not a readable EDS file: {problem}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dictionary = import_eds(io.StringIO(text), None)  # type: ignore[no-untyped-call]
        objects = {}
        for item in dictionary.values():
            for entry in [item] if isinstance(item, ODVariable) else item.values():
                kind = EdsObject(SIZES.get(entry.data_type or 0, 0), entry.access_type in ("rw", "rww", "rwr", "wo"))
                objects[entry.index, entry.subindex] = kind
    except Exception as error:  # the parser raises many kinds; all mean the same to the user
        raise _refused(eds, f"not a readable EDS file ({type(error).__name__}: {str(error)[:200]})") from error
    if not objects:
        raise _refused(eds, "no EDS file with objects in it")
    return objects


def _out_of_bounds(text: str) -> str:
    """What no EDS has, however long its drive's list of objects: "" when there is nothing of it."""
    if "\0" in text:
        return "a NUL character"
    if any(len(line) > LONGEST_LINE for line in text.splitlines()):
        return f"a line of more than {LONGEST_LINE} characters"
    sections = _SECTION.findall(text)
    if len(sections) > MOST_SECTIONS:
        return f"more than {MOST_SECTIONS} sections"
    for section in sections:
        sub = _SUB.fullmatch(section)
        if sub and not re.fullmatch(r"[0-9A-Fa-f]{1,2}", sub[1]):
            return f"[{section[:40]}] is no sub-index from 0 to FF"
    return ""
