"""Plain data to JSON and back: nothing is lost, nothing is converted silently, and only our own error comes out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.description import read_bench, read_leg
from legtest.errors import LinkError
from legtest.keeper.codec import from_json, to_json
from legtest.safety.setup import Setup
from legtest.wiring import setup_of

ROOT = Path(__file__).parents[2]


class Colour(IntEnum):
    RED = 1
    GREEN = 2


class Pair(NamedTuple):
    name: str
    data: bytes


@dataclass(frozen=True)
class Thing:
    number: int
    share: float
    on: bool
    colour: Colour
    pairs: tuple[Pair, ...]
    fixed: tuple[int, str]
    maybe: float | None
    kind: Literal["a", "b"]
    table: Mapping[str, tuple[float, ...]]


_NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
THINGS = st.builds(
    Thing,
    st.integers(-(2**63), 2**63),
    _NUMBERS,
    st.booleans(),
    st.sampled_from(Colour),
    st.lists(st.builds(Pair, st.text(), st.binary()), max_size=3).map(tuple),
    st.tuples(st.integers(), st.text()),
    st.none() | _NUMBERS,
    st.sampled_from(["a", "b"]),
    st.dictionaries(st.text(), st.lists(_NUMBERS, max_size=3).map(tuple), max_size=3),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=20,
)


@given(THINGS)
def test_there_and_back(thing: Thing) -> None:
    assert from_json(Thing, to_json(thing)) == thing


@pytest.mark.parametrize("leg", ["tarn-fl", "tarn-hopper"])
def test_a_set_up_goes_through_whole(leg: str) -> None:
    setup = setup_of(read_leg(ROOT / f"fixtures/legs/{leg}.yaml"), read_bench(ROOT / "fixtures/benches/rehearsal.yaml"))
    assert from_json(Setup, to_json(setup)) == setup


@given(st.binary(max_size=200) | JSON.map(lambda value: json.dumps(value).encode()))
def test_anything_else_is_our_own_error(text: bytes) -> None:
    for kind in (Thing, Setup, Pair):
        with pytest.raises(LinkError):
            from_json(kind, text)


@given(THINGS, st.data())
def test_one_field_of_another_type_is_noticed(thing: Thing, data: st.DataObject) -> None:
    document = json.loads(to_json(thing))
    name = data.draw(st.sampled_from(sorted(document)))
    document[name] = data.draw(JSON.filter(lambda value: not _fits(name, value, document[name])))
    with pytest.raises(LinkError):
        from_json(Thing, json.dumps(document).encode())


def _fits(name: str, value: Any, was: Any) -> bool:
    """Could it be right by chance? The empty list is, for every kind of list."""
    by_chance: dict[str, tuple[type, ...]] = {"share": (int, float), "maybe": (int, float, type(None))}
    return isinstance(value, by_chance.get(name, (type(was),)))


@pytest.mark.parametrize(
    "text", [b"1e999", b"NaN", b"true", b"null", b'"1"', b"[" * 100_000, b"1" * 5000, b'{"a": 1}', b"", b"\xff"]
)
def test_a_number_is_a_number(text: bytes) -> None:
    with pytest.raises(LinkError):
        from_json(float, text)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), object(), {1, 2}, "\ud800"])
def test_what_is_no_plain_data_is_not_sent(value: object) -> None:
    if isinstance(value, str):  # a lone surrogate is escaped by JSON and comes back as it was
        assert from_json(str, to_json(value)) == value
        return
    with pytest.raises(LinkError):
        to_json((value,))
