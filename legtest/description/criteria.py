"""The tolerance limits and margins of a leg: the `criteria` section, leg-wide, per joint, and of own quantities."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from legtest import units
from legtest.description.fields import Dimension, Reader, dimension_schema
from legtest.description.model import Criteria, Limit
from legtest.description.names import JOINTS, is_name
from legtest.description.nodes import Document, Loc, Tree, lookup
from legtest.quantities import QUANTITIES
from legtest.units import clip

_FORMS = ("at_most", "at_least", "between")
_MARGIN = "margin"


@dataclass(frozen=True)
class CriteriaField(Reader):
    """Passed on as it stands; `criteria_of` reads it, because it needs the joints' names."""

    def read(self, value: object) -> Any:
        return value

    def schema(self) -> dict[str, Any]:
        quantities = {
            name: {"description": quantity.what, **_limit_schema(dimension_schema(quantity.kind))}
            for name, quantity in QUANTITIES.items()
        }
        joint = {"type": "object", "properties": quantities, "additionalProperties": False}
        any_value = {"type": ["string", "number"]}
        own = _limit_schema(any_value)
        own["properties"] = {"kind": {"enum": list(units.KINDS)}, **own["properties"]}
        properties = {
            **quantities,
            **dict.fromkeys(JOINTS, joint),
            "own": {"type": "object", "additionalProperties": own},
        }
        return {"type": "object", "properties": properties, "additionalProperties": False}


def _limit_schema(value: dict[str, Any]) -> dict[str, Any]:
    between = {"type": "array", "items": value, "minItems": 2, "maxItems": 2}
    properties = {"at_most": value, "at_least": value, "between": between, _MARGIN: value}
    return {"type": "object", "properties": properties, "additionalProperties": False}


def criteria_of(document: Document, joints: Sequence[str]) -> Criteria:
    """The criteria of a leg file; adds to the document's problems."""
    section = lookup(document.tree, "criteria")
    leg: dict[str, Limit] = {}
    by_joint: dict[str, dict[str, Limit]] = {}
    if section is None:
        return Criteria(leg, by_joint)
    for name, value in _items(document, ("criteria",), section):
        if name in joints:
            by_joint[name] = _limits(document, ("criteria", name), value, [])
        elif name == "own":
            leg.update(_own(document, value))
        else:
            _take(document, ("criteria",), name, value, leg, [*joints, "own"])
    return Criteria(leg, by_joint)


def _items(document: Document, loc: Loc, section: Tree) -> Sequence[tuple[str, Tree]]:
    if isinstance(section, dict):
        return tuple(section.items())
    if section is not None:
        document.report(loc, 'expected quantities with their limits, like `backlash: {at_most: "0.5 deg"}`')
    return ()


def _limits(document: Document, loc: Loc, section: Tree, others: list[str]) -> dict[str, Limit]:
    limits: dict[str, Limit] = {}
    for name, value in _items(document, loc, section):
        _take(document, loc, name, value, limits, others)
    return limits


def _take(
    document: Document, loc: Loc, name: str, value: Tree, limits: dict[str, Limit], others: Sequence[str]
) -> None:
    quantity = QUANTITIES.get(name)
    if quantity is None:
        near = difflib.get_close_matches(name, [*QUANTITIES, *others], 1)
        hint = f"did you mean '{near[0]}'?" if near else "`legtest procedures` lists them; your own go under `own:`"
        document.report((*loc, name), f"unknown quantity or joint; {hint}", at_key=True)
        return
    limit = _limit(document, (*loc, name), value, quantity.kind)
    if limit is not None:
        limits[name] = limit


def _own(document: Document, section: Tree) -> dict[str, Limit]:
    limits: dict[str, Limit] = {}
    for name, value in _items(document, ("criteria", "own"), section):
        loc = ("criteria", "own", name)
        kind = value.get("kind") if isinstance(value, dict) else None
        if name in QUANTITIES:
            document.report(loc, "is a quantity of legtest; take it out of `own`", at_key=True)
        elif not is_name(name):
            document.report(loc, "is no name: use letters, digits, '-', '_' or '.'", at_key=True)
        elif not isinstance(value, dict) or not isinstance(kind, str) or kind not in units.KINDS:
            message = f"needs a kind, like `kind: force`; the kinds are {', '.join(units.KINDS)}"
            document.report((*loc, "kind") if kind is not None else loc, message)
        else:
            rest = {key: part for key, part in value.items() if key != "kind"}
            limit = _limit(document, loc, rest, kind)
            if limit is not None:
                limits[name] = limit
    return limits


def _limit(document: Document, loc: Loc, value: Tree, kind: str) -> Limit | None:
    example = units.example(kind)
    forms = f'{{at_most: "{example}"}}, {{at_least: ...}} or {{between: [..., ...]}}'
    if value is None:
        return None  # reported where the file was read
    named = [form for form in value if form != _MARGIN] if isinstance(value, dict) else []
    if not isinstance(value, dict) or len(named) > 1 or not value or not {*named} <= {*_FORMS}:
        document.report(loc, f"expected one limit: {forms}; beside it or alone, how far it may move: margin")
        return None
    reader = Dimension(kind)
    where = f"{PurePath(document.path).name}:{document.line(loc)}"
    margin = _margin(document, loc, value[_MARGIN], kind) if _MARGIN in value else None
    if not named:
        return None if margin is None else Limit(None, None, kind, where, margin)
    form, text = named[0], value[named[0]]
    if form != "between":
        number = _read(document, (*loc, form), text, reader)
        low, high = (number, None) if form == "at_least" else (None, number)
        return None if number is None else Limit(low, high, kind, where, margin)
    if not isinstance(text, list) or len(text) != 2:
        document.report((*loc, form), f'expected two values in brackets, like ["{example}", "{example}"]')
        return None
    low, high = (_read(document, (*loc, form, i), item, reader) for i, item in enumerate(text))
    if low is None or high is None:
        return None
    if not low < high:
        document.report((*loc, form), f"'{clip(str(text[0]))}' must be below '{clip(str(text[1]))}'")
        return None
    return Limit(low, high, kind, where, margin)


def _margin(document: Document, loc: Loc, text: Tree, kind: str) -> float | None:
    margin = _read(document, (*loc, _MARGIN), text, Dimension(kind))
    if margin is not None and margin <= 0:
        document.report((*loc, _MARGIN), f"'{clip(str(text))}' must be more than zero")
        return None
    return margin


def _read(document: Document, loc: Loc, text: Tree, reader: Dimension) -> float | None:
    try:
        return reader.read(text)
    except ValueError as error:
        document.report(loc, str(error))
        return None
