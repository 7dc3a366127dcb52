"""Where the loop's bytes go: a file behind a buffer that never interrupts the loop."""

from __future__ import annotations

import os
from pathlib import Path

from legtest.errors import RecordError
from legtest.records.files import cannot_write

_BUFFER = 1 << 16


class FrameSink:
    """An append-only file for lines of bytes.

    `write` never raises: whoever guards the leg must not be stopped by a full disk. From the first failure on
    nothing more is written (a hole would shift the frame numbers), `problem` says why, and `flush` raises.
    """

    def __init__(self, path: Path) -> None:
        """Start a new file; RecordError when it exists already or cannot be made."""
        self._path = path
        self._lines: list[bytes] = []
        self._held = 0
        self.lost = 0
        self.problem: RecordError | None = None
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise cannot_write(path, error) from None

    def write(self, data: bytes) -> None:
        """Take one line; it reaches the file with the next full buffer or `flush`."""
        self._lines.append(data)
        self._held += len(data)
        if self._held >= _BUFFER:
            self._drain()

    def flush(self) -> None:
        """Hand everything to the operating system; RecordError when anything written so far was lost."""
        self._drain()
        if self.problem is not None:
            raise self.problem

    def close(self) -> None:
        """Flush and let go of the file, even when the flush fails; harmless when repeated."""
        if self._fd < 0:
            return
        try:
            self.flush()
            os.fsync(self._fd)
        finally:
            os.close(self._fd)
            self._fd = -1

    def _drain(self) -> None:
        rest = memoryview(b"".join(self._lines))
        self._lines.clear()
        self._held = 0
        try:
            while rest and self.problem is None:
                rest = rest[os.write(self._fd, rest) :]
        except OSError as error:
            self.problem = cannot_write(self._path, error)
        self.lost += len(rest)
