"""A document against its schema: pydantic's findings turned into problems with line, key and the way out."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from legtest.description.fields import Placed
from legtest.description.nodes import Document, Loc, Tree

Model = TypeVar("Model", bound=BaseModel)


def validate(document: Document, model: type[Model]) -> Model | None:
    """The document as a model, or None with everything found added to the document's problems."""
    try:
        return model.model_validate(document.tree)
    except ValidationError as error:
        for finding in error.errors(include_url=False, include_input=False):
            _report(document, model, finding)
        return None


def _report(document: Document, model: type[BaseModel], finding: Any) -> None:
    loc: Loc = finding["loc"]
    if _is_empty(document.tree, loc):
        return  # "this key has no value" is there already
    kind, cause = finding["type"], finding.get("ctx", {}).get("error")
    if isinstance(cause, Placed):
        for below, message in cause.problems:
            document.report((*loc, *below), message)
    elif kind == "extra_forbidden":
        document.report(loc, _unknown(model, loc), at_key=True)
    elif kind == "missing" and isinstance(loc[-1], str):
        document.report(loc, "this key is missing")
    elif kind == "list_type":
        document.report(loc, "expected a list, each entry of it after a dash")
    elif kind in ("missing", "too_long", "tuple_type"):
        whole = loc[:-1] if kind == "missing" else loc
        document.report(whole, 'expected two values in brackets, like ["-10 deg", "10 deg"]')
    elif kind in ("model_type", "model_attributes_type"):
        section = _section(model, loc)
        document.report(loc, f"expected a section with the keys {', '.join(section.model_fields if section else ())}")
    else:
        document.report(loc, str(cause or finding["msg"]))


def _unknown(model: type[BaseModel], loc: Loc) -> str:
    section = _section(model, loc[:-1])
    keys = list(section.model_fields) if section else []
    near = difflib.get_close_matches(str(loc[-1]), keys, 1)
    return f"unknown key; did you mean '{near[0]}'?" if near else f"unknown key; the keys here are {', '.join(keys)}"


def _section(model: type[BaseModel], loc: Iterable[str | int]) -> type[BaseModel] | None:
    """The model of the section at a path."""
    for part in loc:
        if isinstance(part, int):
            continue  # an entry of a list of sections
        field = model.model_fields.get(str(part))
        candidates = (field.annotation, *get_args(field.annotation)) if field else ()
        found = next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)
        if found is None:
            return None
        model = found
    return model


def _is_empty(tree: Tree, loc: Loc) -> bool:
    """Whether the file has a key without a value at this path."""
    node: Any = tree
    for part in loc:
        try:
            node = node[part]
        except (KeyError, IndexError, TypeError):
            return False
    return node is None
