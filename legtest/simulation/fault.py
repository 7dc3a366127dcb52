"""What a fault is: an edit of the Plant, its size, and what should notice it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from legtest.simulation.plant import Plant
from legtest.units import show

Edit = Callable[[Plant, int, float], Plant]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault that can be put in.

    kind: of the size, see legtest.units; default, low, high: SI; unit: what the size means, for people.
    joint: the joint it sits at unless another is named, "" for a fault of no joint.
    noticed_by: the quantities of the built-in procedures that should notice it.
    halves: whether half of it means something; an exchanged firmware or a reversed sign has no half.
    edit: (plant, joint number, size) -> the faulty plant.
    """

    name: str
    title: str
    what: str
    kind: str
    unit: str
    default: float
    low: float
    high: float
    joint: str
    noticed_by: tuple[str, ...]
    edit: Edit
    halves: bool = True

    def size_text(self, size: float) -> str:
        """A size as people write it."""
        return show(size, self.kind, 4)


def with_axis(plant: Plant, number: int, **changes: Any) -> Plant:
    """The plant with something else about one axis."""
    axes = list(plant.axes)
    axes[number] = replace(axes[number], **changes)
    return replace(plant, axes=tuple(axes))


def with_drive(plant: Plant, number: int, **changes: Any) -> Plant:
    """The plant with something else about the drive of one axis."""
    return with_axis(plant, number, drive=replace(plant.axes[number].drive, **changes))
