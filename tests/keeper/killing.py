"""Rehearsals, hosts in front of them that come to an end, and what the wire says of it."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

from ending_host import monotonic_ns
from rehearsing import HOPPER, ROOT, Served

TRIES = 4
HOST = Path(__file__).with_name("ending_host.py")


class Host:
    """A host process in front of a rehearsal, and its keeper."""

    def __init__(self, rehearsal: Served, action: str, folder: Path) -> None:
        self.folder, self.action, self.rehearsal = folder, action, rehearsal
        self._start()

    def _start(self) -> None:
        rehearsal = self.rehearsal
        self.folder.mkdir()
        command = [sys.executable, str(HOST), str(rehearsal.bench_file), str(rehearsal.signoff), str(HOPPER)]
        with (self.folder / "said").open("wb") as said:
            self.process = subprocess.Popen(
                [*command, str(self.folder), self.action], stdout=subprocess.PIPE, stderr=said, text=True, cwd=ROOT
            )

    def wait_until_moving(self) -> int:
        """The instant of the monotonic clock at which it does what it was told to.

        On a busy machine a frame can be late enough for a refusal or a stop before: then it is started once more.
        """
        for attempt in range(TRIES):
            assert self.process.stdout is not None
            line = self.process.stdout.readline()
            if line.startswith("moving "):
                return int(line.split()[1])
            self.end()
            said = (self.folder / "said").read_text()
            assert "pre-check refused" in said or "the leg was stopped" in said, said
            Path(f"{self.rehearsal.channel}.latch.json").unlink(missing_ok=True)
            self.folder = self.folder.with_name(f"{self.folder.name}{attempt}")
            self._start()
        raise AssertionError(f"it did not come to move in {TRIES} attempts")

    @property
    def keeper(self) -> int:
        """The process id of its keeper, 0 when there is none (any more)."""
        return keeper_of(self.process.pid)

    def end(self) -> int:
        """Wait for the keeper to end, then make the host end; its exit code."""
        if self.action in ("loop", "freeze"):
            self.process.kill()
        code = self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


def keeper_of(pid: int) -> int:
    """The child of a host that is a keeper, 0 when there is none."""
    with suppress(OSError):
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            with suppress(OSError):
                if b"legtest.keeper.main" in Path(f"/proc/{child}/cmdline").read_bytes():
                    return int(child)
    return 0


def await_end(pid: int, seconds: float) -> int:
    """The instant of the monotonic clock at which a process of ours had ended, 0 when it has not."""
    try:
        fd = os.pidfd_open(pid)
    except ProcessLookupError:
        return monotonic_ns()
    try:
        return monotonic_ns() if select.select([fd], [], [], seconds)[0] else 0
    finally:
        os.close(fd)


class Death(NamedTuple):
    """free_ms: from the act until no axis was energised or had torque. gone_ms: until the kernel had ended the process,
    which takes a while for a large one; 0.0 = it did not end. speed_rad_s: at the act. off: it stayed off.
    """

    free_ms: float
    gone_ms: float
    speed_rad_s: float
    powered: bool
    off: bool
    code: int
    said: str


def kill(pid: int, number: int = signal.SIGKILL) -> None:
    """Send a signal to a process that we started."""
    with suppress(ProcessLookupError):
        os.kill(pid, number)
