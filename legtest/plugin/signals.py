"""Signals that ask the session to end: the leg comes to rest first, then the session ends as usual."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterable
from types import FrameType
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from legtest.bench import Bench

ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class Signals:
    """Handlers for the time between `install` and `restore`. benches: those that are open.

    A handler runs between two steps of the interpreter, in the main thread: no guarantee. On a live bench the process
    that keeps the bus, and after it the drives, act when this one does not.
    """

    def __init__(self, benches: Callable[[], Iterable[Bench]]) -> None:
        self._benches = benches
        self._before: dict[int, Any] = {}

    def install(self) -> None:
        """Take the signals that would end the session; one that is ignored (nohup) stays so."""
        if threading.current_thread() is not threading.main_thread():
            return
        for number in ENDING:
            if signal.getsignal(number) is not signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._end)

    def restore(self) -> None:
        """Give the signals back, unless somebody else has taken them meanwhile."""
        for number, before in self._before.items():
            if signal.getsignal(number) == self._end:
                signal.signal(number, signal.SIG_DFL if before is None else before)
        self._before = {}

    def _end(self, number: int, _: FrameType | None) -> None:
        error: BaseException = KeyboardInterrupt()
        if number != signal.SIGINT:
            error = pytest.exit.Exception(signal.Signals(number).name, returncode=128 + number)
        for bench in self._benches():
            bench.interrupt(error)  # raises it, now or when what is being done with the leg has come to its end
            return
        raise error
