"""Records of ours to JSON and back: nothing changes, and nothing else is taken for one of them."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_run import make_bench, make_leg, make_wiremap

from legtest.canbus.wiremap import WireMap
from legtest.description.model import BenchDescription, DecisionRule, LegDescription, Limit
from legtest.errors import RecordError
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.verdict import Verdict, Word
from legtest.records.encode import dumps, from_json, loads, plain, to_json
from legtest.records.segment import Segment, Span, Timing

FLOATS = st.floats(allow_nan=False)  # NaN is not equal to itself; it has a test of its own
TEXT = st.text(max_size=12)
LIMITS = st.builds(Limit, st.none() | FLOATS, st.none() | FLOATS, TEXT, TEXT, st.none() | FLOATS)
LINES = st.builds(BudgetLine, TEXT, FLOATS, FLOATS, st.sampled_from(["A", "B"]), st.booleans())
MEASUREMENTS = st.builds(
    Measurement, TEXT, TEXT, FLOATS, TEXT, FLOATS, FLOATS, st.lists(LINES, max_size=3).map(tuple),
    st.sampled_from(["internal", "external"]), st.dictionaries(TEXT, FLOATS, max_size=3), TEXT,
)  # fmt: skip
VERDICTS = st.builds(
    Verdict, MEASUREMENTS, st.none() | LIMITS, TEXT, st.sampled_from(list(Word)), st.none() | FLOATS, TEXT
)
COUNTS = st.integers(0, 10**15)
WHOLE = st.integers(-(2**63), 2**64 - 1)
PLAIN = st.recursive(
    st.none() | st.booleans() | WHOLE | st.floats(allow_nan=False, allow_infinity=False) | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)
SEGMENTS = st.builds(
    Segment, TEXT, st.none() | TEXT, st.dictionaries(TEXT, PLAIN, max_size=3),
    st.lists(st.builds(Span, TEXT, COUNTS, COUNTS), max_size=3).map(tuple),
    st.builds(Timing, *[COUNTS] * 8),
)  # fmt: skip
RULES = st.builds(DecisionRule, st.sampled_from(["guarded", "simple"]), FLOATS)


@given(st.one_of(LIMITS, MEASUREMENTS, VERDICTS, SEGMENTS, RULES))
def test_round_trip_is_exact(value: Any) -> None:
    text = dumps(to_json(value))
    again = from_json(type(value), loads(text, "here"))
    assert again == value
    assert type(again) is type(value)
    assert dumps(to_json(again)) == text


@pytest.mark.parametrize(("value", "kind"), [
    (make_wiremap("knee", 3), WireMap), (make_leg(), LegDescription), (make_bench(), BenchDescription),
])  # fmt: skip
def test_wire_maps_and_descriptions_survive(value: Any, kind: type) -> None:
    assert from_json(kind, loads(dumps(to_json(value)), "here")) == value


def test_not_a_number_survives_and_the_text_is_strict_json() -> None:
    m = Measurement("q", "knee", math.nan, "angle", 0.1, math.inf, (), "internal")
    text = dumps(to_json(m))
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    again = from_json(Measurement, loads(text, "here"))
    assert math.isnan(again.value)
    assert again.dof == math.inf


def test_an_integer_where_a_float_belongs_gives_the_same_bytes() -> None:
    assert dumps(Limit(1, None, "ratio", "")) == dumps(Limit(1.0, None, "ratio", ""))


def test_numpy_scalars_are_numbers() -> None:
    got = plain({"a": np.float64(0.1), "b": np.int64(3), "c": (np.float32(0.5),), "d": Word.PASS})
    assert got == {"a": 0.1, "b": 3, "c": [0.5], "d": "pass"}
    assert type(got["b"]) is int


@pytest.mark.parametrize("number", [2**64, -(2**63) - 1, 10**30])
def test_a_number_that_could_not_be_read_again_is_not_written(number: int) -> None:
    with pytest.raises(RecordError, match="at most 64 bits"):
        plain({"seed": number})


def test_what_json_cannot_hold_is_an_error() -> None:
    with pytest.raises(RecordError, match="cannot hold <object"):
        plain({"a": object()})


GOOD = to_json(Verdict(Measurement("q", "knee", 1.0, "angle", 0.1, 9.0, (), "internal"), None, "r", Word.PASS, 0.9))


@pytest.mark.parametrize(("change", "message"), [
    ({"word": "passed"}, r"record\.word: 'passed' is not one of 'pass', 'fail'"),
    ({"word": None}, r"record\.word: 'None' is not one of"),
    ({"p_conform": "0.9"}, r"record\.p_conform: '0.9' is not a value of type float"),
    ({"p_conform": True}, r"record\.p_conform: 'True' is not a value of type float"),
    ({"settle": 3}, r"record\.settle: '3' is not a value of type str"),
    ({"limit": []}, r"record\.limit: '\[\]' is not an object \(Limit\)"),
    ({"verdict": 1}, r"record\.verdict: '1' is not one of the keys measurement, limit"),
    ({"measurement": {}}, r"record\.measurement\.\w+: this key is missing"),
])  # fmt: skip
def test_another_form_is_refused_by_name(change: dict[str, Any], message: str) -> None:
    with pytest.raises(RecordError, match=message):
        from_json(Verdict, GOOD | change)


def test_other_wrong_forms_of_the_wire_map() -> None:
    good = to_json(make_wiremap("knee", 3))
    for key, bad in (
        ("energising", 3),
        ("stop", {"17": []}),
        ("stop", {"x": []}),
        ("home", {"start": [{"data": "xyz"}]}),
    ):
        with pytest.raises(RecordError, match=key):
            from_json(WireMap, good | {key: bad})


@pytest.mark.parametrize("text", ["", "{", "NaN", '{"a": Infinity}', "[" * 100_000, b"\xff\xfe{"])
def test_text_that_is_not_json_is_a_record_error(text: str | bytes) -> None:
    with pytest.raises(RecordError, match="file:1"):
        loads(text, "file:1")
