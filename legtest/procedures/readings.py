"""What was read of instruments during a movement, from its record."""

from __future__ import annotations

from legtest.hands import Reading
from legtest.records.recorded import Recorded


def readings(recorded: Recorded, quantity: str) -> list[Reading]:
    """The readings of one quantity in their order. Raises TypeError, KeyError for a record that holds none such."""
    taken = [Reading(**each) for each in recorded.arguments.get("readings", ())]
    return [reading for reading in taken if reading.quantity == quantity]
