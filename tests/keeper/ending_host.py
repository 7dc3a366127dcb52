"""A host for tests: energises, moves, says "moving", then does in the middle of the motion what it is told to do.

python ending_host.py BENCH SIGNOFF LEG FOLDER ACTION
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

import numpy as np
from rehearsing import opened

monotonic_ns = time.monotonic_ns  # noqa: TID251


def forked() -> None:
    """The parent dies, and the child keeps what it inherited open."""
    if os.fork() == 0:
        threading.Event().wait(3.0)
        os._exit(0)
    os.kill(os.getpid(), signal.SIGKILL)


def endless() -> None:
    while True:
        pass


ACTIONS: dict[str, Callable[[], object]] = {
    "exit": lambda: os._exit(0),
    "exec": lambda: os.execv("/bin/sleep", ["sleep", "2"]),
    "segfault": lambda: ctypes.string_at(0),
    "loop": endless,
    "C call": lambda: ctypes.PyDLL(None).usleep(1_500_000),
    "kill": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "freeze": lambda: os.kill(os.getpid(), signal.SIGSTOP),
    "terminate": lambda: os.kill(os.getpid(), signal.SIGTERM),
    "fork": forked,
    "wait": lambda: None,  # for somebody else to do something
    "raise": lambda: 1 / 0,
}


def main(bench_file: str, signoff: str, leg: str, folder: str, action: str) -> None:
    bench = opened(Path(bench_file), Path(signoff), leg=Path(leg), folder=Path(folder))
    with bench.energised():
        start = bench.demand_rad
        t_s = np.arange(0.0, 20.0, bench.period_ns * 1e-9)
        rows = np.tile(start, (len(t_s), 1))
        rows[:, -1] -= 0.2 * (1 - np.cos(2 * np.pi * 0.7 * t_s))  # 0.9 rad/s at most
        begun = bench.now_ns()

        pending = [ACTIONS[action]]

        def never(_: object) -> bool:
            if pending and bench.now_ns() - begun > 600_000_000:
                print(f"moving {monotonic_ns()}", flush=True)
                pending.pop()()
            return False

        bench.follow(rows, until=never)
    bench.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
