"""Whatever becomes of the host or of the keeper, the leg is without torque in time and stays so; the wire says it."""

from __future__ import annotations

import select
import signal
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest
import wire_truth as wire
from ending_host import monotonic_ns
from killing import Death, Host, await_end, kill
from rehearsing import HOPPER, Served, served

pytestmark = pytest.mark.slow

RATE = 100
PERIOD_MS, LOSS_MS, BEAT_MS = 1e3 / RATE, 100.0, 100.0
MARGIN_MS = 20.0
# what the host does, or what is done to it -> how long after it the leg may still have torque, without the ramp
ACTS = {
    "exit": MARGIN_MS, "exec": BEAT_MS + MARGIN_MS, "segfault": MARGIN_MS, "kill": MARGIN_MS, "terminate": MARGIN_MS,
    "fork": MARGIN_MS, "raise": MARGIN_MS,
    "loop": BEAT_MS + MARGIN_MS, "C call": BEAT_MS + MARGIN_MS, "freeze": BEAT_MS + MARGIN_MS,
    "kill the keeper": LOSS_MS + MARGIN_MS, "end the keeper": MARGIN_MS, "freeze the keeper": LOSS_MS + MARGIN_MS,
}  # fmt: skip
AT_ONCE = 4
ENDS = ("exit", "segfault", "kill", "terminate", "fork")
_TO_THE_KEEPER = {
    "kill the keeper": signal.SIGKILL, "end the keeper": signal.SIGTERM, "freeze the keeper": signal.SIGSTOP,
}  # fmt: skip


@pytest.fixture(scope="module")
def deaths(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Death]]:
    """Every act once, four hosts at a time, each rehearsal serving one host after the other."""
    with ExitStack() as stack, ThreadPoolExecutor(AT_ONCE) as threads:
        rehearsals = [
            stack.enter_context(served(tmp_path_factory.mktemp("rehearsal"), RATE, HOPPER)) for _ in range(AT_ONCE)
        ]
        acts = list(ACTS)
        found: dict[str, Death] = {}
        while acts:
            now, acts = acts[:AT_ONCE], acts[AT_ONCE:]
            folders = [tmp_path_factory.mktemp("host") / "part" for _ in now]
            found |= dict(zip(now, threads.map(_death, now, rehearsals, folders), strict=True))
        yield found


def _death(act: str, rehearsal: Served, folder: Path) -> Death:
    host = Host(rehearsal, "wait" if act in _TO_THE_KEEPER else act, folder)
    begun = host.wait_until_moving()
    dying = host.process.pid
    if act in _TO_THE_KEEPER:
        dying = host.keeper
        begun = monotonic_ns()
        kill(dying, _TO_THE_KEEPER[act])
    gone = await_end(dying, 1.0)
    select.select([], [], [], 1.0)
    if act == "freeze the keeper":
        kill(dying)
    code = host.end()
    log = wire.read(rehearsal.wire_log)
    t_ns = log.at(begun)
    free = log.last_power_ns(t_ns, t_ns + 1_000_000_000)
    off = log.last_power_ns(free, 1 << 62) == free
    said = (host.folder / "said").read_text()
    gone_ms = max(0.0, (gone - begun) * 1e-6)
    return Death((free - t_ns) * 1e-6, gone_ms, log.speed(t_ns), log.powered(t_ns), off, code, said)


@pytest.mark.parametrize("act", ACTS)
def test_the_leg_is_without_torque_in_time_and_stays_off(act: str, deaths: dict[str, Death]) -> None:
    death = deaths[act]
    ramp_ms = death.speed_rad_s / wire.QUICK_STOP_RAD_S2 * 1e3
    assert death.powered, "it was energised, or nothing is shown"
    late_ms = death.gone_ms if act in ENDS else 0.0  # the keeper hears of an end when the kernel has closed the pipe
    assert 0.0 < death.free_ms <= late_ms + ACTS[act] + ramp_ms + PERIOD_MS, death
    assert death.off
