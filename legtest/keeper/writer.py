"""Files of the record behind a bounded queue and a thread of its own: the loop never waits for a disk."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable

MOST_WAITING = 8_000_000  # bytes; seconds of a busy bus
_END_WAIT_S = 10.0


class Writer:
    """Writes what it is given, in order, in a thread of its own. `problem`: why the record has a hole, "" = none.

    After the first problem with a file nothing more is written: a hole would shift the numbers of the frames.
    """

    def __init__(self) -> None:
        self.problem = ""
        self._waiting: deque[tuple[int, bytes] | Callable[[], None]] = deque()
        self._held = 0
        self._wake, self._end = threading.Event(), False
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def write(self, fd: int, data: bytes) -> None:
        """Take bytes for a file; never blocks, never raises."""
        if self._held > MOST_WAITING:
            self.problem = self.problem or f"the disk does not keep up: {self._held} bytes wait"
        if not self.problem:
            self._held += len(data)  # the thread subtracts: a race costs some bytes of an estimate, no lock is needed
            self._waiting.append((fd, data))
            self._wake.set()

    def call(self, what: Callable[[], None]) -> None:
        """Have something done by the thread, after what was given before; its OSError is a problem of the record."""
        self._waiting.append(what)
        self._wake.set()

    def end(self) -> None:
        """Everything written and on its way to the disk, or as much as goes within some seconds."""
        self._end = True
        self._wake.set()
        self._thread.join(_END_WAIT_S)
        if self._thread.is_alive():
            self.problem = self.problem or "the disk does not answer"

    def _run(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            while self._waiting:
                self._do(self._waiting.popleft())
            if self._end and not self._waiting:
                return

    def _do(self, item: tuple[int, bytes] | Callable[[], None]) -> None:
        try:
            if callable(item):
                item()
                return
            fd, data = item
            self._held -= len(data)
            rest = memoryview(data)
            while rest and not self.problem:
                rest = rest[os.write(fd, rest) :]
        except OSError as error:
            self.problem = self.problem or (error.strerror or str(error))
