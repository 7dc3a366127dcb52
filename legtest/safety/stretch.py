"""Motion as a table: set-points in actuator space with a torque cap in every row."""

from __future__ import annotations

from dataclasses import dataclass

from legtest.canbus.wiremap import Point


@dataclass(frozen=True, slots=True)
class Stretch:
    """A table of set-points that the loop checks whole, then plays.

    axes: names, in the order of each row.
    times_ns: increasing, from the stretch's start; values are linear between rows.
    rows: one tuple of Points per time, one Point per axis.
    hold_ns: how long the last row is kept; then the loop lowers the leg and takes the power off.
    """

    axes: tuple[str, ...]
    times_ns: tuple[int, ...]
    rows: tuple[tuple[Point, ...], ...]
    hold_ns: int = 500_000_000

    @property
    def duration_ns(self) -> int:
        return self.times_ns[-1]
