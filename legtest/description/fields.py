"""The kinds of value a description may hold: how each is read from its text, and how a JSON Schema describes it.

Every reader takes what stands in the file (text, section or list) and raises ValueError with a message for people.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from legtest import units
from legtest.description.names import NAME, is_name
from legtest.units import clip

_YAML_BOOLEANS = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false"})


class Placed(ValueError):
    """Problems of a section that lie at keys inside it: (path below the section, message) each."""

    def __init__(self, problems: Sequence[tuple[tuple[str, ...], str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(message for _, message in problems))


def text_of(value: object, example: str) -> str:
    """The text of a scalar; ValueError for a section, a list or nothing."""
    if isinstance(value, str):
        return value.strip()
    found = "a section" if isinstance(value, dict) else "a list" if isinstance(value, list) else "nothing"
    raise ValueError(f'expected a value like "{example}", found {found}')


@dataclass(frozen=True)
class Reader:
    """Base of the field kinds: plugs `read` and `schema` into pydantic."""

    def read(self, value: object) -> Any:
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class Dimension(Reader):
    """A value with a unit of its kind, read to SI. Bounds are written as people write values; `above` is strict."""

    kind: str
    above: str = ""
    at_least: str = ""
    at_most: str = ""

    def read(self, value: object) -> float:
        text = text_of(value, units.example(self.kind))
        si = units.parse(text, self.kind)
        if self.above and not si > units.parse(self.above, self.kind):
            raise ValueError(f"'{text}' must be more than {self.above}")
        if self.at_least and not si >= units.parse(self.at_least, self.kind):
            raise ValueError(f"'{text}' must be at least {self.at_least}")
        if self.at_most and not si <= units.parse(self.at_most, self.kind):
            raise ValueError(f"'{text}' must be at most {self.at_most}")
        return si

    def schema(self) -> dict[str, Any]:
        return dimension_schema(self.kind)


def dimension_schema(kind: str) -> dict[str, Any]:
    """Pattern and example of a kind. A ratio may stand without quotes, so editors see a number there."""
    choice = "|".join(re.escape(unit) for unit in units.units_of(kind))
    optional = "?" if kind == "ratio" else ""
    pattern = rf"^\s*{units.NUMBER}\s*({choice}){optional}\s*$"
    types = ["string", "number"] if kind == "ratio" else "string"
    return {"type": types, "pattern": pattern, "examples": [units.example(kind)]}


@dataclass(frozen=True)
class Whole(Reader):
    """A whole number, decimal without leading zeros or hexadecimal as 0x1F."""

    low: int
    high: int

    def read(self, value: object) -> int:
        text = text_of(value, str(max(self.low, 1)))
        if re.fullmatch(r"[+-]?0[0-9]+", text):
            plain = text.lstrip("+-0") or "0"
            raise ValueError(f"'{clip(text)}' begins with a zero; write {clip(plain)}, or 0x... for hexadecimal")
        if not re.fullmatch(r"[+-]?[0-9]{1,20}|0x[0-9A-Fa-f]{1,16}", text):
            raise ValueError(f"'{clip(text)}' is not a whole number")
        number = int(text, 16 if text.startswith("0x") else 10)
        if not self.low <= number <= self.high:
            raise ValueError(f"{text} is outside {self.low} to {self.high}")
        return number

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class Choice(Reader):
    """One word of a closed set, read to the value at the same place in `values` (none given: to itself)."""

    words: tuple[str, ...]
    values: tuple[int, ...] = ()

    def read(self, value: object) -> str | int:
        text = text_of(value, self.words[0])
        if text not in self.words:
            raise ValueError(f"'{clip(text)}' is not one of: {', '.join(self.words)}")
        return self.values[self.words.index(text)] if self.values else text

    def schema(self) -> dict[str, Any]:
        plain = [int(word) for word in self.words if re.fullmatch(r"-?[0-9]+", word)]
        return {"enum": [*self.words, *plain]}


@dataclass(frozen=True)
class Text(Reader):
    """A line of printable text, 1 to 200 characters; a bare yes or no says too little."""

    example: str

    def read(self, value: object) -> str:
        text = text_of(value, self.example)
        if not text:
            raise ValueError(f'empty; write a text like "{self.example}"')
        if len(text) > 200 or not text.isprintable():
            raise ValueError(f"'{clip(text)}' must be one line of at most 200 printable characters")
        if text.lower() in _YAML_BOOLEANS:
            raise ValueError(f"'{text}' says too little; write a text like \"{self.example}\", or none")
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1, "maxLength": 200, "examples": [self.example]}


@dataclass(frozen=True)
class Name(Reader):
    """A name that may stand in a file name: letters, digits, dot, dash, underscore, at most 64, no dot in front."""

    example: str

    def read(self, value: object) -> str:
        text = text_of(value, self.example)
        if not is_name(text):
            raise ValueError(
                f"'{clip(text)}' is no name: use 1 to 64 letters, digits, '-', '_' or '.', and none of '-.' in front"
            )
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{NAME}$", "examples": [self.example]}


def rising(pair: tuple[float, float]) -> tuple[float, float]:
    """The pair itself; ValueError unless the first value is below the second."""
    if not pair[0] < pair[1]:
        raise ValueError("the first value must be below the second")
    return pair


_Turn = Annotated[float, Dimension("angle", at_least="-360 deg", at_most="360 deg")]
AngleRange = Annotated[tuple[_Turn, _Turn], AfterValidator(rising)]
