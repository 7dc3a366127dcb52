"""docs/reference/faults.md says of every fault what the registry says, and shows a measured row for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from legtest.procedures.catalogue import PROCEDURES
from legtest.simulation.faults import FAULTS

DOCS = Path(__file__).parents[2] / "docs/reference"


@pytest.mark.parametrize("name", FAULTS)
def test_the_page_has_the_fault_as_it_is(name: str) -> None:
    fault, lines = FAULTS[name], (DOCS / "faults.md").read_text(encoding="utf-8").splitlines()
    entry = next(line for line in lines if line.startswith(f"| `{name}` |"))
    default, low, high = (fault.size_text(size) for size in (fault.default, fault.low, fault.high))
    noticed = ", ".join(f"`{quantity}`" for quantity in fault.noticed_by)
    assert entry.endswith(f"| {default} | {low} to {high} | {noticed} |")
    (measured,) = [line for line in lines if line.startswith(f"| `{name}` {default} |")]
    assert any(f"`{quantity}`" in measured for quantity in fault.noticed_by)


@pytest.mark.parametrize("procedure", PROCEDURES, ids=lambda procedure: procedure.name)
def test_every_quantity_is_explained(procedure: object) -> None:
    page = (DOCS / "procedures.md").read_text(encoding="utf-8")
    missing = [q for q in procedure.quantities if f"`{q}`" not in page]  # type: ignore[attr-defined]
    assert missing == []
