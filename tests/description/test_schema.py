"""The JSON Schema agrees with the readers, and every key of a file is used by the code that its field names."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
import yaml
from good_leg import BENCH, LEG, STAND
from pydantic import BaseModel

from legtest.description import json_schema
from legtest.description.schema import BenchFile, LegFile, StandFile

ROOT = Path(__file__).parents[2]
TYPES = {"object": dict, "array": list, "string": str, "integer": int, "number": (int, float), "null": type(None)}
FILES = [("leg", LEG), ("stand", STAND), ("bench", BENCH)]


def fits(value: Any, schema: dict[str, Any], root: dict[str, Any]) -> bool:
    """The part of JSON Schema 2020-12 that our schemas use."""
    if "$ref" in schema:
        return fits(value, root["$defs"][schema["$ref"].rsplit("/", 1)[1]], root)
    if "anyOf" in schema and not any(fits(value, option, root) for option in schema["anyOf"]):
        return False
    types = schema.get("type", [])
    kinds = tuple(TYPES[name] for name in ([types] if isinstance(types, str) else types))
    if kinds and not any(isinstance(value, kind) for kind in kinds):
        return False
    if "enum" in schema and value not in schema["enum"]:
        return False
    if isinstance(value, str):
        return "pattern" not in schema or re.search(schema["pattern"], value) is not None
    if isinstance(value, list):
        items = schema.get("prefixItems") or [schema["items"]] * len(value)
        sizes = schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", 99)
        return sizes and all(fits(item, part, root) for item, part in zip(value, items, strict=False))
    if isinstance(value, dict):
        known, extra = schema.get("properties", {}), schema.get("additionalProperties", True)
        return all(name in value for name in schema.get("required", [])) and all(
            fits(item, known[name], root) if name in known else extra is True or (extra and fits(item, extra, root))
            for name, item in value.items()
        )
    return True


@pytest.mark.parametrize(("kind", "text"), FILES)
def test_good_files_fit(kind: Any, text: str) -> None:
    schema = json_schema(kind)
    assert fits(yaml.safe_load(text), schema, schema)
    assert json.loads(json.dumps(schema)) == schema
    assert "used_by" not in json.dumps(schema)


@pytest.mark.parametrize("path", sorted((ROOT / "fixtures").glob("*/*.yaml")), ids=lambda path: path.name)
def test_fixtures_fit(path: Path) -> None:
    tree = yaml.safe_load(path.read_text())
    kind: Any = next(kind for kind in ("leg", "bench", "stand") if kind in tree)
    schema = json_schema(kind)
    assert fits(tree, schema, schema)


@pytest.mark.parametrize(
    ("keys", "value"),
    [
        (("geometry", "thigh"), "160 deg"),
        (("geometry", "thigh"), 160),
        (("geometry", "knee_bends"), "up"),
        (("joints", "hip", "limits", "torque"), "12"),
        (("joints", "hip", "travel"), ["1 deg"]),
        (("joints", "hip", "drive", "node"), "one"),
        (("joints", "ankle"), {}),
        (("criteria", "bakclash"), {"at_most": "1 deg"}),
        (("criteria", "backlash"), {"at_most": "1 N"}),
        (("criteria", "backlash"), {"most": "1 deg"}),
        (("coupling", "knee", "ankle"), 1),
        (("simulation", "colour"), "red"),
    ],
)
def test_broken_values_do_not_fit(keys: tuple[str, ...], value: object) -> None:
    schema = json_schema("leg")
    tree = copy.deepcopy(yaml.safe_load(LEG))
    node = tree
    for key in keys[:-1]:
        node = node[key]
    node[keys[-1]] = value
    assert not fits(tree, schema, schema)


def fields(model: type[BaseModel], prefix: str, seen: set[type] | None = None) -> Iterator[tuple[str, Any]]:
    """All fields below a model, those of a section that stands several times only once."""
    seen = set() if seen is None else seen
    if model in seen:
        return
    seen.add(model)
    for name, field in model.model_fields.items():
        yield f"{prefix}.{name}", field
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from fields(part, f"{prefix}.{name}", seen)


KEYS = [*fields(LegFile, "leg"), *fields(StandFile, "stand"), *fields(BenchFile, "bench")]


@pytest.mark.parametrize(("key", "field"), KEYS, ids=[key for key, _ in KEYS])
def test_every_key_is_used(key: str, field: Any) -> None:
    """A key that no code reads is a promise not kept."""
    module, spelt = field.json_schema_extra["used_by"], field.json_schema_extra["spelt"]
    path = ROOT.joinpath(*module.split("."))
    sources = sorted(path.glob("*.py")) if path.is_dir() else [path.with_suffix(".py")]
    assert field.description
    assert sources, f"{key}: {module} does not exist"
    assert sources[0].exists(), f"{key}: {module} does not exist"
    assert any(re.search(rf"\b{spelt}\b", source.read_text()) for source in sources), f"{key}: no {spelt} in {module}"
