"""What host and keeper ask of the system: the time, to go before others, to stay in memory, whether it has slept."""

from __future__ import annotations

import ctypes
import gc
import os
import time
from contextlib import suppress
from datetime import UTC, datetime

_MCL_CURRENT_AND_FUTURE = 3  # mlockall(2)
_UNDISTURBED_NS = 1_000_000
monotonic_ns = time.monotonic_ns
PRIORITY = 2  # before a rehearsal on the same computer


def attend() -> None:
    """Collect no garbage from here on, and where the system allows it: go before others, and be never paged out."""
    gc.collect()
    gc.freeze()
    gc.disable()
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    import resource

    if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
        with suppress(OSError, AttributeError):  # with a small limit, memory asked for later would be refused
            ctypes.CDLL(None).mlockall(_MCL_CURRENT_AND_FUTURE)


def today() -> str:
    """The time of day, with its zone."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def suspended_ns() -> int | None:
    """How long the computer has been suspended since it was started; None when the two clocks were not read at once."""
    before = monotonic_ns()
    boot = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return boot - before if monotonic_ns() - before < _UNDISTURBED_NS else None
