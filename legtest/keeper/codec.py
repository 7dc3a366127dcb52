"""Plain data to JSON and back, by the type hints of dataclasses and named tuples; strict on the way back.

A dataclass becomes an object with all its fields, a named tuple and a tuple a list, a mapping a list of pairs, bytes a
text of hexadecimal digits. Nothing is converted silently: another type, a missing or an unknown field is an error.
"""

from __future__ import annotations

import dataclasses
import json
import types
from collections.abc import Callable, Hashable, Mapping
from collections.abc import Mapping as AbstractMapping
from enum import Enum
from functools import cache
from math import isfinite
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from legtest.errors import LinkError

T = TypeVar("T")
_NONE = type(None)


def to_json(value: object) -> bytes:
    """The JSON text of plain data. Raises LinkError for what is none (NaN and infinity included)."""
    try:
        return json.dumps(_plain(value), allow_nan=False, separators=(",", ":")).encode()
    except (ValueError, RecursionError) as error:
        raise LinkError(f"this cannot be put into a message: {error}") from error


def from_json(kind: type[T], text: bytes) -> T:
    """The value of a type in a JSON text. Raises LinkError for anything that is not exactly that."""
    try:
        reader: Callable[[Any], T] = _reader(cast(Hashable, kind))
        return reader(json.loads(text))
    except (ValueError, TypeError, OverflowError, RecursionError) as error:
        raise LinkError(f"not a message that is known here: {str(error)[:200]}") from error


def _plain(value: Any) -> Any:
    if value is None or (isinstance(value, bool | int | float | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, AbstractMapping):
        return [[_plain(key), _plain(item)] for key, item in value.items()]
    if dataclasses.is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value) if field.init}
    raise ValueError(f"{type(value).__name__} is no plain data")


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """The function that checks a JSON value and makes a `kind` of it; it raises ValueError and TypeError."""
    origin, arguments = get_origin(kind), get_args(kind)
    if kind in (bool, str, int, float, bytes, _NONE):
        return _SCALARS[kind]
    if origin in (Union, types.UnionType):
        return _union([_reader(one) for one in arguments])
    if origin is Literal:
        return _one_of(arguments)
    if origin is tuple:
        if len(arguments) == 2 and arguments[1] is ...:
            return _many(_reader(arguments[0]))
        return _row(tuple, [_reader(one) for one in arguments])
    if origin in (AbstractMapping, dict):
        return _pairs(_reader(arguments[0]), _reader(arguments[1]))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return lambda value: kind(_scalar(type(next(iter(kind)).value), value))
    if isinstance(kind, type) and hasattr(kind, "_fields"):
        hints = get_type_hints(kind)
        return _row(lambda items: kind(*items), [_reader(hints[name]) for name in kind._fields])
    if dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        names = [field.name for field in dataclasses.fields(kind) if field.init]
        return _fields(kind, {name: _reader(hints[name]) for name in names})
    raise TypeError(f"{kind} is no plain data")


def _scalar(kind: type, value: Any) -> Any:
    if type(value) is not kind and not (issubclass(kind, int) and type(value) is int and kind is not bool):
        raise ValueError(f"expected {kind.__name__}, found {type(value).__name__}")
    return value


def _float(value: Any) -> float:
    if type(value) not in (int, float) or not isfinite(value):
        raise ValueError(f"expected a number, found {type(value).__name__}")
    return float(value)


def _bytes(value: Any) -> bytes:
    data = bytes.fromhex(_scalar(str, value))
    if data.hex() != value:
        raise ValueError("expected hexadecimal digits")
    return data


_SCALARS: Mapping[Any, Callable[[Any], Any]] = {
    bool: lambda value: _scalar(bool, value),
    str: lambda value: _scalar(str, value),
    int: lambda value: _scalar(int, value),
    float: _float,
    bytes: _bytes,
    _NONE: lambda value: _scalar(_NONE, value),
}


def _union(readers: list[Callable[[Any], Any]]) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        for reader in readers[:-1]:
            try:
                return reader(value)
            except (ValueError, TypeError):
                continue
        return readers[-1](value)

    return read


def _one_of(choices: tuple[Any, ...]) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        for choice in choices:
            if type(value) is type(choice) and value == choice:
                return choice
        raise ValueError(f"expected one of {choices}")

    return read


def _list(value: Any) -> list[Any]:
    if type(value) is not list:
        raise ValueError(f"expected a list, found {type(value).__name__}")
    return value


def _many(reader: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda value: tuple([reader(item) for item in _list(value)])


def _row(make: Callable[[Any], Any], readers: list[Callable[[Any], Any]]) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        return make([reader(item) for reader, item in zip(readers, _list(value), strict=True)])

    return read


def _pairs(key: Callable[[Any], Any], item: Callable[[Any], Any]) -> Callable[[Any], Any]:
    pair = _row(tuple, [key, item])

    def read(value: Any) -> Any:
        pairs = [pair(one) for one in _list(value)]
        made = dict(pairs)
        if len(made) != len(pairs):
            raise ValueError("a key stands twice")
        return made

    return read


def _fields(kind: Any, readers: Mapping[str, Callable[[Any], Any]]) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        if type(value) is not dict or value.keys() != readers.keys():
            raise ValueError(f"expected the fields of {kind.__name__}")
        return kind(**{name: reader(value[name]) for name, reader in readers.items()})

    return read
