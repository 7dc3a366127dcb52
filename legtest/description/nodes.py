"""A YAML file as nested dict, list and text, with the place of every key and value.

Only the safe core of YAML is taken: mappings, lists and scalars, and every scalar stays the text it was written as.
So the traps of implicit types (`no` as false, `012` as ten, `12:30` as 750) cannot arise: whoever knows what a key
means reads its text. Tags, anchors, aliases and duplicate keys are refused.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, TypeAlias

import yaml

from legtest.errors import DescriptionError, Problem

MAX_BYTES = 256 * 1024
MAX_DEPTH = 12
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Tree: TypeAlias = "dict[str, Tree] | list[Tree] | str | None"
Loc: TypeAlias = "tuple[str | int, ...]"


class Place(NamedTuple):
    """Line and column, both counted from 1."""

    line: int
    column: int


@dataclass(slots=True)
class Document:
    """One file as read. tree: None stands for an empty value. keys, values: where each lies, by path of keys.

    problems: what is wrong so far; whoever validates adds to it, so that all are reported together.
    """

    path: str
    sha256: str
    tree: Tree = None
    keys: dict[Loc, Place] = field(default_factory=dict)
    values: dict[Loc, Place] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def line(self, loc: Loc) -> int:
        """The line of the key at this path."""
        return (self.keys.get(loc) or self.values.get(loc) or Place(1, 1)).line

    def report(self, loc: Loc, message: str, *, at_key: bool = False) -> None:
        """Add a problem at a path; at the nearest enclosing key where the path itself is not in the file."""
        marks = (self.keys, self.values) if at_key else (self.values, self.keys)
        near = loc
        while near and near not in self.values and near not in self.keys:
            near, marks = near[:-1], (self.keys, self.values)
        place = marks[0].get(near) or marks[1].get(near) or Place(1, 1)
        self.add(place, ".".join(str(part) for part in loc), message)

    def add(self, place: Place, key: str, message: str) -> None:
        self.problems.append(Problem(f"{self.path}:{place.line}:{place.column}", key, message))

    def raise_problems(self) -> None:
        """Raise DescriptionError with all problems, in file order, if there are any."""
        if self.problems:
            order = sorted(dict.fromkeys(self.problems), key=lambda p: [int(n) for n in p.where.rsplit(":", 2)[1:]])
            raise DescriptionError(tuple(order))


def load(path: str | Path) -> Document:
    """Read one file of at most 256 kB and 12 levels.

    Raises DescriptionError when it cannot be read or is not YAML. What is merely wrong in it (duplicate key, tag,
    empty value) waits in `problems`.
    """
    raw = _read_bytes(Path(path))
    document = Document(str(path), hashlib.sha256(raw).hexdigest())
    text = _decode(document, raw)
    try:
        _walk(document, text)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        document.add(place, "", f"this is not YAML: {error.problem or error.context}")
    except yaml.YAMLError as error:
        document.add(Place(1, 1), "", f"this is not YAML: {' '.join(str(error).split())}")
    except _TooDeep as error:
        document.add(error.place, "", f"more than {MAX_DEPTH} levels: no description is that deep")
    if not isinstance(document.tree, dict):
        if not document.problems:
            document.add(Place(1, 1), "", "expected keys and values, like `leg: tarn-fl`")
        document.raise_problems()
    return document


def _read_bytes(path: Path) -> bytes:
    def refuse(message: str) -> DescriptionError:
        return DescriptionError((Problem(str(path), "", message),))

    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise refuse("this is a directory; name a YAML file in it")
        if not stat.S_ISREG(status.st_mode):
            raise refuse("this is not an ordinary file")
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise refuse("there is no such file") from None
    except (OSError, ValueError) as error:
        raise refuse(f"cannot be read: {getattr(error, 'strerror', None) or error}") from error
    if len(raw) > MAX_BYTES:
        raise refuse(f"larger than {MAX_BYTES // 1024} kB; this is no description")
    if not raw.strip():
        raise refuse("the file is empty")
    return raw


def _decode(document: Document, raw: bytes) -> str:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        place = Place(before.count(b"\n") + 1, error.start - before.rfind(b"\n"))
        document.add(place, "", f"byte 0x{raw[error.start]:02x} is not UTF-8; save the file as UTF-8")
    else:
        nul = text.find("\0")
        if nul < 0:
            return text
        place = Place(text.count("\n", 0, nul) + 1, nul - text.rfind("\n", 0, nul))
        document.add(place, "", "a NUL character: this is not a text file")
    document.raise_problems()
    raise AssertionError("unreachable")


class _TooDeep(Exception):
    def __init__(self, place: Place) -> None:
        self.place = place


def _walk(document: Document, text: str) -> None:
    """Build the tree from parser events: unlike composed nodes they still show aliases, and need no deep recursion."""
    events: Iterator[yaml.Event] = iter(yaml.parse(text, Loader=_LOADER))
    for event in events:
        if isinstance(event, yaml.DocumentStartEvent):
            if document.tree is not None:
                document.add(_place(event), "", "a second document (---) begins here; a file holds one")
                return
            document.tree = _value(document, next(events), events, ())


def _value(document: Document, event: yaml.Event, events: Iterator[yaml.Event], loc: Loc) -> Tree:
    place = document.values[loc] = _place(event)
    _refuse_extras(document, event, loc)
    if isinstance(event, yaml.ScalarEvent):
        plain = event.implicit[0]
        if plain and event.value in ("", "~", "null", "Null", "NULL"):
            if loc:
                document.report(loc, "this key has no value", at_key=True)
            return None
        return str(event.value)
    if isinstance(event, yaml.AliasEvent):
        return None
    if len(loc) >= MAX_DEPTH:
        raise _TooDeep(place)
    if isinstance(event, yaml.SequenceStartEvent):
        items: list[Tree] = []
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            items.append(_value(document, event, events, (*loc, len(items))))
        return items
    return _mapping(document, events, loc)


def _mapping(document: Document, events: Iterator[yaml.Event], loc: Loc) -> dict[str, Tree]:
    mapping: dict[str, Tree] = {}
    while not isinstance(event := next(events), yaml.MappingEndEvent):
        if not isinstance(event, yaml.ScalarEvent):
            document.add(_place(event), ".".join(map(str, loc)), "a key must be a word")
            _value(document, event, events, (*loc, "?"))
            _value(document, next(events), events, (*loc, "?"))
            continue
        key = str(event.value)
        child = (*loc, key)
        earlier = document.keys.get(child)
        place = _place(event)
        if earlier is not None:
            message = f"this key stands here a second time, first in line {earlier.line}"
            document.add(place, ".".join(map(str, child)), message)
            child = (*loc, key, "again")
        else:
            document.keys[child] = place
        _refuse_extras(document, event, child)
        value = _value(document, next(events), events, child)
        mapping.setdefault(key, value)
    return mapping


def _refuse_extras(document: Document, event: yaml.Event, loc: Loc) -> None:
    if not isinstance(event, yaml.NodeEvent):
        return
    key = ".".join(map(str, loc))
    if isinstance(event, yaml.AliasEvent):
        document.add(_place(event), key, f"alias *{event.anchor}: write the value out")
        return
    if event.anchor is not None:
        document.add(_place(event), key, f"anchor &{event.anchor}: not used here, leave it out")
    tag = getattr(event, "tag", None)
    if tag is not None:
        document.add(_place(event), key, f"tag {tag}: types are not written in these files, leave it out")


def _place(event: yaml.Event) -> Place:
    mark = event.start_mark
    return Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)


def lookup(tree: Tree, *keys: str) -> Tree:
    """The value at a path of keys, None where there is none."""
    for key in keys:
        if not isinstance(tree, Mapping):
            return None
        tree = tree.get(key)
    return tree
