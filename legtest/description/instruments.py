"""What a bench can read beside its drives: the `instruments` list of a bench file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import model_validator

from legtest import units
from legtest.description.fields import Choice, Placed, Reader, Text, dimension_schema, text_of
from legtest.description.model import INSTRUMENT_KINDS, Instrument
from legtest.description.section import Section, key

_HANDS = "legtest.hands"


@dataclass(frozen=True)
class _AnyDimension(Reader):
    """A value of one of the kinds that instruments read; which of them, the instrument's quantity says."""

    def read(self, value: object) -> str:
        return text_of(value, "0.2 mm")

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [dimension_schema(kind) for kind in sorted(set(INSTRUMENT_KINDS.values()))]}


class InstrumentSection(Section):
    """One instrument."""

    name: Annotated[str, Text("height gauge 2")] = key("what people call it", _HANDS, "name")
    quantity: Annotated[str, Choice(tuple(INSTRUMENT_KINDS))] = key("what it reads", _HANDS, "quantity")
    uncertainty: Annotated[str, _AnyDimension()] = key("standard uncertainty of one reading, k = 1", _HANDS, "u")
    by: Annotated[str, Choice(("person", "bus"))] = key("who reads it", _HANDS, "by")
    calibration: Annotated[str, Text("certificate 1182 of 2026-03-02")] | None = key(
        "what its uncertainty rests on", _HANDS, "calibration", None
    )

    @model_validator(mode="after")
    def _agree(self) -> InstrumentSection:
        try:
            self.u()
        except ValueError as error:
            raise Placed([(("uncertainty",), str(error))]) from None
        return self

    def u(self) -> float:
        """The standard uncertainty, SI. Raises ValueError."""
        u = units.parse(self.uncertainty, INSTRUMENT_KINDS[self.quantity])
        if not u > 0:
            raise ValueError(f"'{self.uncertainty}' must be more than nothing: no reading is exact")
        return u


def instruments_of(sections: Sequence[InstrumentSection]) -> tuple[Instrument, ...]:
    """The instruments as a bench sees them."""
    return tuple(Instrument(s.name, s.quantity, s.u(), s.by, s.calibration or "") for s in sections)
