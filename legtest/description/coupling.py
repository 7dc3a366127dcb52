"""How joint angles follow from actuator angles: the `coupling` section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from legtest.description.fields import Dimension, Reader
from legtest.description.names import JOINTS
from legtest.description.nodes import Document, Tree, lookup

_FACTOR = Dimension("ratio", at_least="-10", at_most="10")
# A coupling whose determinant is smaller than this cannot be turned round: some motion no actuator makes.
_SINGULAR = 1e-3


@dataclass(frozen=True)
class CouplingField(Reader):
    """Passed on as it stands; `coupling_of` reads it, because it needs the joints' names."""

    def read(self, value: object) -> Any:
        return value

    def schema(self) -> dict[str, Any]:
        factor = {"type": ["number", "string"], "examples": [1, -1]}
        row = {"type": "object", "properties": dict.fromkeys(JOINTS, factor), "additionalProperties": False}
        return {"type": "object", "properties": dict.fromkeys(JOINTS, row), "additionalProperties": False}


def coupling_of(document: Document, joints: Sequence[str]) -> tuple[tuple[float, ...], ...]:
    """The coupling matrix of a leg file, rows joints, columns actuators; adds to the document's problems."""
    section = lookup(document.tree, "coupling")
    rows = {name: {name: 1.0} for name in joints}
    problems = len(document.problems)
    if section is not None and not isinstance(section, dict):
        document.report(("coupling",), "expected joints with their factors, like `knee: {knee: 1, hip: -1}`")
    for name, row in section.items() if isinstance(section, dict) else ():
        if name not in joints:
            document.report(("coupling", name), f"no such joint; this leg has {', '.join(joints)}", at_key=True)
        elif not isinstance(row, dict) or not row:
            document.report(("coupling", name), f"expected factors by actuator, like {{{name}: 1, hip: -1}}")
        else:
            rows[name] = _row(document, name, row, joints)
    matrix = tuple(tuple(rows[name].get(actuator, 0.0) for actuator in joints) for name in joints)
    if len(document.problems) == problems and abs(_determinant(matrix)) < _SINGULAR:
        document.report(("coupling",), "cannot be turned round: some joint motion is made by no actuator")
    return matrix


def _row(document: Document, name: str, row: dict[str, Tree], joints: Sequence[str]) -> dict[str, float]:
    factors = {}
    for actuator, value in row.items():
        loc = ("coupling", name, actuator)
        if actuator not in joints:
            document.report(loc, f"no such actuator; this leg has {', '.join(joints)}", at_key=True)
            continue
        try:
            factors[actuator] = _FACTOR.read(value)
        except ValueError as error:
            document.report(loc, str(error))
    return factors


def _determinant(matrix: Sequence[Sequence[float]]) -> float:
    """By expansion along the first row; legs have two or three joints."""
    if len(matrix) < 2:
        return matrix[0][0] if matrix else 1.0
    total = 0.0
    for column, value in enumerate(matrix[0]):
        minor = [[*row[:column], *row[column + 1 :]] for row in matrix[1:]]
        total += value * _determinant(minor) * (-1.0 if column % 2 else 1.0)
    return total
