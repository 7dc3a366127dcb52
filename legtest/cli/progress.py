"""How far a long piece of work has come, and how long it may still take; plain lines where nobody watches."""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

WATCHED_S, ELSEWHERE_S = 0.2, 10.0  # between two lines on a terminal, which replaces them, and in a log


def duration(seconds: float) -> str:
    """A guess of a time, as coarse as it is: "20 s", "4 min", "1.5 h"."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60)} min" if seconds < 90 * 60 else f"{seconds / 3600:.1f} h"


class Progress:
    """Told of every piece that is done; prints to `stream` now and then. clock: seconds, monotonic."""

    def __init__(self, total: int, what: str, stream: TextIO, clock: Callable[[], float]) -> None:
        self._total, self._what, self._stream, self._clock = total, what, stream, clock
        self._watched = stream.isatty()
        self._start = self._said = clock()
        self._done = 0

    def step(self) -> None:
        """One more is done."""
        self._done += 1
        now = self._clock()
        if self._done < self._total and now - self._said < (WATCHED_S if self._watched else ELSEWHERE_S):
            return
        if self._done == self._total and not self._watched and self._said == self._start:
            return  # it was short: nobody needed to hear of it
        self._said = now
        left = (now - self._start) / self._done * (self._total - self._done)
        text = f"{self._done} of {self._total} {self._what}" + (f", about {duration(left)} left" if left else "")
        print(f"\r\x1b[K{text}" if self._watched else text, end="" if self._watched else "\n", file=self._stream)
        self._stream.flush()

    def end(self) -> None:
        """Leave the line."""
        if self._watched and self._done:
            print(file=self._stream)
