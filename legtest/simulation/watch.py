"""A time-out on something that should keep coming: heartbeats, process data."""

from __future__ import annotations

from collections.abc import Callable

from legtest.simulation.bus import VirtualBus


class Watch:
    """Calls `lost(t_ns)` once when `fed` was not called for the time set. It starts with the first feeding.

    Only one event of the bus is ever outstanding; feeding it is one assignment.
    """

    __slots__ = ("_bus", "_deadline_ns", "_due_ns", "_lost", "_time_ns")

    def __init__(self, bus: VirtualBus, lost: Callable[[int], None]) -> None:
        self._bus, self._lost = bus, lost
        self._time_ns = 0
        self._deadline_ns: int | None = None  # None: not watching
        self._due_ns: int | None = None  # the outstanding event

    def set(self, time_ns: int) -> None:
        """A new time; 0 switches the watch off. It begins again with the next feeding."""
        self._time_ns = time_ns
        self._deadline_ns = None

    @property
    def watching(self) -> bool:
        return self._deadline_ns is not None

    def fed(self, t_ns: int) -> None:
        """It came."""
        if self._time_ns:
            self._deadline_ns = t_ns + self._time_ns
            if self._due_ns is None or self._due_ns > self._deadline_ns:
                self._due_ns = self._deadline_ns
                self._bus.at(self._due_ns, self._look)

    def _look(self, t_ns: int) -> None:
        if t_ns != self._due_ns:
            return  # an event left over from a longer time
        self._due_ns = None
        if self._deadline_ns is None:
            return
        if self._deadline_ns > t_ns:
            self._due_ns = self._deadline_ns
            self._bus.at(self._due_ns, self._look)
            return
        self._deadline_ns = None
        self._lost(t_ns)
