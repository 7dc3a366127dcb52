"""What is expected of a stop, and how long it took."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

Expected = Literal["off", "stop", "lower", "drives"]


class StopTimes(NamedTuple):
    """One stop: when it had to begin, when it did, when the last power stage was off. Budgets are spans in ns.

    quick_stop_ns: the last of the first stop frames to each energised node; None where the host did not have to send
    one, or did not. power_off_ns: None when a stage was still on at the end.
    """

    what: str
    expected: Expected
    violation_ns: int
    quick_stop_ns: int | None
    power_off_ns: int | None
    quick_stop_budget_ns: int
    power_off_budget_ns: int


@dataclass(slots=True)
class Stop:
    """A violation that is not answered yet.

    axes: energised when it happened. by_ns, off_by_ns: latest instants of the stop on the wire and of power off.
    first: the first controlword each axis got since. sent_ns: when each axis got the one that counts.
    """

    what: str
    expected: Expected
    t_ns: int
    axes: frozenset[int]
    by_ns: int
    off_by_ns: int
    first: dict[int, int] = field(default_factory=dict)
    sent_ns: dict[int, int] = field(default_factory=dict)
    off_ns: dict[int, int] = field(default_factory=dict)
    judged: bool = False

    def times(self) -> StopTimes:
        """As plain data."""
        waited = [self.sent_ns.get(axis) for axis in self.axes]
        off = [self.off_ns.get(axis) for axis in self.axes]
        sent = [t for t in waited if t is not None]
        return StopTimes(
            self.what, self.expected, self.t_ns, max(sent, default=None),
            None if None in off else max((t for t in off if t is not None), default=self.t_ns),
            self.by_ns - self.t_ns, self.off_by_ns - self.t_ns,
        )  # fmt: skip
