"""Our finished data as JSON and back, exactly: what is read equals what was written, to the last bit of a float.

The types are the scheme: dataclasses and NamedTuples become objects, tuples arrays, enums their values, bytes
hexadecimal text. Floats JSON has no word for become "nan", "inf" and "-inf".
"""

from __future__ import annotations

import json
import math
import re
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from functools import cache
from numbers import Integral, Real
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

from legtest.errors import RecordError

T = TypeVar("T")
_NOT_FINITE = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}
MOST_NESTED = 32  # levels of lists and objects
MOST_CONTAINERS = 50_000  # lists and objects in one text: an empty one takes 28 times the memory of its text
_WHOLE = re.compile(r"-?[0-9]{1,18}", re.ASCII)


def dumps(data: object) -> str:
    """One line of JSON with sorted keys, pure ASCII; the same data give the same bytes."""
    return json.dumps(plain(data), sort_keys=True, separators=(",", ":"), allow_nan=False)


def loads(text: str | bytes, where: str) -> Any:
    """The data of a JSON text from a file we do not trust; RecordError names `where`.

    Refused beside what is no JSON: a key that stands twice, numbers beyond 64 bits or the range of floats, more than
    MOST_NESTED levels or MOST_CONTAINERS lists and objects. The caller bounds the size of the text.
    """
    try:
        text = text.decode("utf-8") if isinstance(text, bytes) else text
    except UnicodeDecodeError as error:
        raise RecordError(f"{where}: not readable as JSON: {error}") from None
    containers = text.count("[") + text.count("{")
    if containers > MOST_CONTAINERS:
        raise RecordError(f"{where}: not read: more than {MOST_CONTAINERS} lists and objects")
    try:
        data = _READER.decode(text)
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{where}: not readable as JSON: {error}") from None
    if containers > MOST_NESTED and _depth_exceeds(data, MOST_NESTED):
        raise RecordError(f"{where}: not read: more than {MOST_NESTED} levels of lists and objects")
    return data


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")


def _finite(text: str) -> float:
    if not math.isfinite(number := float(text)):
        raise ValueError(f"{text[:40]} is too large a number")
    return number


def _int64(text: str) -> int:
    if not -(2**63) <= (number := int(text)) < 2**64:
        raise ValueError(f"{text[:40]} is too large a number")
    return number


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    # Of a key that stands twice, different readers believe a different one.
    data = dict(pairs)
    if len(data) != len(pairs):
        twice = next(key for key in data if sum(key == other for other, _ in pairs) > 1)
        raise ValueError(f"the key {twice[:40]!r} stands there twice")
    return data


_READER = json.JSONDecoder(
    parse_constant=_no_constant, parse_float=_finite, parse_int=_int64, object_pairs_hook=_once
)


def _depth_exceeds(data: Any, limit: int) -> bool:
    level = [data]
    for _ in range(limit):
        level = [
            child
            for item in level
            if isinstance(item, list | dict)
            for child in (item.values() if isinstance(item, dict) else item)
        ]
        if not level:
            return False
    return any(isinstance(item, list | dict) for item in level)


def plain(data: object) -> Any:
    """Free-form data (segment arguments, notes) as JSON values.

    numpy scalars become numbers, tuples lists, records of ours objects. RecordError for anything else.
    """
    if isinstance(data, Enum):
        return data.value
    if data is None or isinstance(data, str | bool):
        return data
    if isinstance(data, Integral):
        whole = int(data)
        if not -(2**63) <= whole < 2**64:  # `loads` would refuse it
            raise RecordError(f"a record cannot hold {str(whole)[:40]}: whole numbers have at most 64 bits")
        return whole
    if isinstance(data, Real):  # numpy's scalars are registered as such
        number = float(data)
        return number if math.isfinite(number) else repr(number)
    if is_dataclass(data) or hasattr(data, "_fields"):
        return to_json(data)
    if isinstance(data, Mapping):
        return {str(key): plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [plain(value) for value in data]
    raise RecordError(f"a record cannot hold {data!r} ({type(data).__name__}): use numbers, texts, lists and mappings")


def to_json(value: object) -> Any:
    """A record of ours (Measurement, Verdict, Segment, Limit, DecisionRule, WireMap, ...) as JSON values."""
    return _encode(type(value), value)


def from_json(kind: type[T], data: Any, where: str = "record") -> T:
    """The value of that type which `to_json` wrote as `data`.

    Raises RecordError naming `where`, the key and the value when `data` has another form; keys that are missing
    take the type's default where it has one, unknown keys are an error.
    """
    value: T = _decode(kind, data, where)
    return value


@cache
def fields_of(kind: Any) -> dict[str, Any]:
    """The type of each field of a record of ours, by name."""
    return typing.get_type_hints(kind)


@cache
def _has_fields(kind: Any) -> bool:
    return is_dataclass(kind) or (isinstance(kind, type) and issubclass(kind, tuple) and hasattr(kind, "_fields"))


@cache
def required_of(kind: Any) -> frozenset[str]:
    """The fields without a default."""
    if is_dataclass(kind):
        optional = {f.name for f in fields(kind) if f.default is not MISSING or f.default_factory is not MISSING}
    else:
        optional = set(kind._field_defaults)
    return frozenset(fields_of(kind)) - optional


def _encode(kind: Any, value: Any) -> Any:
    if value is None or kind is Any:
        return plain(value)
    if _has_fields(kind):
        return {name: _encode(hint, getattr(value, name)) for name, hint in fields_of(kind).items()}
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _encode(next(a for a in arguments if a is not type(None)), value)
    if origin is tuple:
        return [_encode(item_kind, item) for item_kind, item in zip(_items(arguments, len(value)), value, strict=True)]
    if origin is not None and isinstance(value, Mapping):
        return {_key(key): _encode(arguments[1], item) for key, item in value.items()}
    if isinstance(value, Enum):
        return value.value
    if kind is float:
        return plain(float(value))
    return value.hex() if kind is bytes else plain(value)


def _key(key: Any) -> str:
    return str(key.value) if isinstance(key, Enum) else str(key)


def _items(arguments: tuple[Any, ...], count: int) -> tuple[Any, ...]:
    return (arguments[0],) * count if arguments[1:] == (Ellipsis,) else arguments


def _decode(kind: Any, data: Any, where: str) -> Any:
    if kind is Any:
        return data
    if _has_fields(kind):
        return _record(kind, data, where)
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        if data is None and type(None) in arguments:
            return None
        return _decode(next(a for a in arguments if a is not type(None)), data, where)
    if origin is Literal:
        return data if data in arguments else _refuse(where, data, f"one of {', '.join(map(repr, arguments))}")
    if origin is tuple:
        kinds = _items(arguments, len(data)) if isinstance(data, list) else ()
        if not isinstance(data, list) or len(kinds) != len(data):
            _refuse(where, data, "a list" if not kinds else f"a list of {len(kinds)}")
        return tuple(_decode(k, item, f"{where}[{n}]") for n, (k, item) in enumerate(zip(kinds, data, strict=True)))
    if origin is not None:
        if not isinstance(data, dict):
            _refuse(where, data, "an object")
        return {_key_of(arguments[0], k, where): _decode(arguments[1], v, f"{where}.{k}") for k, v in data.items()}
    return _scalar(kind, data, where)


def _record(kind: Any, data: Any, where: str) -> Any:
    hints = fields_of(kind)
    if not isinstance(data, dict):
        _refuse(where, data, f"an object ({kind.__name__})")
    for name in data:
        if name not in hints:
            _refuse(f"{where}.{name}", data[name], f"one of the keys {', '.join(hints)}")
    for name in required_of(kind):
        if name not in data:
            raise RecordError(f"{where}.{name}: this key is missing")
    return kind(**{name: _decode(hints[name], value, f"{where}.{name}") for name, value in data.items()})


def _scalar(kind: Any, data: Any, where: str) -> Any:
    if kind is float:
        if isinstance(data, str) and data in _NOT_FINITE:
            return _NOT_FINITE[data]
        if isinstance(data, int | float) and not isinstance(data, bool):
            return float(data)  # of at most 64 bits, see `loads`
    elif kind is bytes:
        try:
            return bytes.fromhex(data)
        except (TypeError, ValueError):
            _refuse(where, data, "hexadecimal text")
    elif issubclass(kind, Enum):
        try:
            return kind(data)
        except ValueError:
            _refuse(where, data, f"one of {', '.join(repr(member.value) for member in kind)}")
    elif isinstance(data, kind) and (kind is bool or not isinstance(data, bool)):
        return data
    return _refuse(where, data, f"a value of type {kind.__name__}")


def _key_of(kind: Any, text: str, where: str) -> Any:
    if kind is str:
        return text
    return _decode(kind, int(text) if _WHOLE.fullmatch(text) else text, f"{where} (key)")


def _refuse(where: str, data: Any, expected: str) -> typing.NoReturn:
    raise RecordError(f"{where}: {str(data)[:80]!r} is not {expected}")
