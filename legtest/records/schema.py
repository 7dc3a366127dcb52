"""The published JSON Schemas of a record's two JSON files, made from the types that write and read them.

`docs/reference/journal.schema.json` is for one line of a journal, `docs/reference/run.schema.json` for run.json. A
test holds both against what is made here, and every line of the runs it makes against both.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from enum import Enum
from typing import Any, Literal, NamedTuple, Union, get_args, get_origin

from legtest.canbus.wiremap import WireMap
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict
from legtest.records import journal, run
from legtest.records.encode import fields_of, required_of
from legtest.records.segment import Rows, Segment

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_FLOAT = {"anyOf": [{"type": "number"}, {"enum": ["nan", "inf", "-inf"]}]}
_SCALARS: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer", "minimum": -(2**63), "exclusiveMaximum": 2**64},
    bool: {"type": "boolean"},
    float: _FLOAT,
    bytes: {"type": "string", "pattern": "^([0-9a-f]{2})*$"},
    type(None): {"type": "null"},
    Any: {},
}


class Step(NamedTuple):
    """One step of the pre-check. value: what it found."""

    step: str
    result: str
    value: Any
    expected: str


class Mark(NamedTuple):
    """What changed at an instant of a trend: a part, a firmware."""

    when: str
    what: str


# What each kind of event holds. `precheck` and `part_end` may hold more.
BODIES: dict[str, dict[str, Any]] = {
    "part_begin": {
        "leg": str, "test": str, "seed": int | None, "wiremaps": tuple[WireMap, ...], "sync_id": int,
    },
    "precheck": {"passed": bool, "steps": tuple[Step, ...]},
    "setup": {"setup": str, "by": str},
    "segment": {"segment": Segment, "samples": tuple[Rows, ...], "test": str, "method": str},
    "measurement": {"measurement": Measurement, "test": str},
    "verdict": {"verdict": Verdict, "test": str},
    "bench_error": {"message": str, "test": str},
    "note": {"text": str, "test": str},
    "test_end": {"test": str, "word": str, "leg": str, "seconds": float, "reason": str},
    "comparison": {
        "leg": str, "test": str, "subject": str, "quantity": str, "baseline": str, "baseline_run": str,
        "baseline_value": float | None, "outcome": Literal["equivalent", "different", "undecided", "refused"],
        "difference": float | None, "U": float | None, "margin": float | None, "coverage": float,
        "repeats_needed": int | None, "reason": str,
    },
    "trend": {
        "leg": str, "test": str, "subject": str, "quantity": str, "when": tuple[str, ...], "values": tuple[float, ...],
        "u": tuple[float, ...], "marks": tuple[Mark, ...], "centre": float, "low": float, "high": float,
        "chart": str, "signal": str,
    },
    "attendance": {"attended": bool, "by": str},
    "selected": {"tests": tuple[str, ...]},
    "part_end": {},
}  # fmt: skip
_OPEN = ("precheck", "part_end")
_OPTIONAL = {"trend": {"test"}}


def journal_schema() -> dict[str, Any]:
    """For one line of a journal: its first, which says the format, or an event."""
    defs: dict[str, Any] = {}
    head = _object({"format": {"const": journal.FORMAT}, "version": {"const": journal.VERSION}})
    lines = [head]
    for kind in journal.KINDS:
        properties = {key: _schema(hint, defs) for key, hint in BODIES[kind].items()}
        needed = [key for key in properties if key not in _OPTIONAL.get(kind, ())]
        body = _object(properties, needed, more=kind in _OPEN)
        number = {"type": "integer", "minimum": 0}
        lines.append(_object({"n": number, "t_ns": _SCALARS[int], "kind": {"const": kind}, "body": body}))
    return {
        "$schema": DRAFT,
        "title": f"{journal.FORMAT} {journal.VERSION}",
        "description": "One line of a journal.jsonl. SI units; t_ns in nanoseconds since the bus was opened.",
        "anyOf": lines,
        "$defs": dict(sorted(defs.items())),
    }


def run_schema() -> dict[str, Any]:
    """For run.json."""
    defs: dict[str, Any] = {}
    _schema(run.RunHeader, defs)
    header = defs.pop("RunHeader")
    header["properties"] |= {"format": {"const": run.FORMAT}, "version": {"const": run.VERSION}}
    return {
        "$schema": DRAFT,
        "title": f"{run.FORMAT} {run.VERSION}",
        "description": "The run.json of a run. SI units.",
        **header,
        "$defs": dict(sorted(defs.items())),
    }


def _object(properties: dict[str, Any], required: list[str] | None = None, *, more: bool = False) -> dict[str, Any]:
    needed = list(properties) if required is None else required
    closed = {} if more else {"additionalProperties": False}
    return {"type": "object", "properties": properties, "required": needed, **closed}


def _schema(hint: Any, defs: dict[str, Any]) -> dict[str, Any]:
    if hint in _SCALARS:
        return _SCALARS[hint]
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema(each, defs) for each in arguments]}
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin is tuple:
        if arguments[1:] == (Ellipsis,):
            return {"type": "array", "items": _schema(arguments[0], defs)}
        items = [_schema(each, defs) for each in arguments]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _schema(arguments[1], defs)}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"enum": [member.value for member in hint]}
    name = hint.__name__
    if name not in defs:
        defs[name] = {}  # a type may hold itself
        about = (hint.__doc__ or "").strip().partition("\n")[0]
        properties = {key: _schema(each, defs) for key, each in fields_of(hint).items()}
        defs[name] = {"description": about} | _object(properties, sorted(required_of(hint)))
    return {"$ref": f"#/$defs/{name}"}
