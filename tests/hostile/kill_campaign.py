"""SIGKILL at random instants of rehearsed live runs: is the leg without torque in time, and is every record readable?

    python tests/hostile/kill_campaign.py --kills 100 --seed 1

Each kill hits a pytest run in its pre-check or in motion: the host, its keeper, or both. Judged from the wire log of
the rehearsal alone, which none of the two can touch. For a host the time counts from when the kernel had ended it,
which takes tens of milliseconds for a large process on a busy machine: before that nobody can know. For a keeper it
counts from the kill, or from its last heartbeat where that was on its way to the wire still. All are printed.
"""

from __future__ import annotations

import argparse
import os
import random
import select
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))
sys.path.insert(0, str(Path(__file__).parents[1] / "keeper"))

import wire_truth as wire
from ending_host import monotonic_ns
from killing import await_end, keeper_of, kill
from rehearsing import HOPPER, ROOT, Served, served

from legtest.errors import RecordError
from legtest.records.reading import unsealed_runs, verify

RATE, TRIES = 100, 5
PERIOD_MS, LOSS_MS, MARGIN_MS, SAMPLE_MS = 1e3 / RATE, 100.0, 20.0, 2.0
PRECHECK_S, MOTION_S = 6.5, 8.0  # from the first frame of a host: about so long is each
SUITE = """
def test_motion(bench):
    with bench.energised():
        for n in range(60):
            goal = bench.demand_rad
            goal[-1] += 0.2 if n % 2 else -0.2
            bench.move_to(goal, 0.9)
"""


class Kill(NamedTuple):
    """One kill, as instants of the monotonic clock. problem: of the record or of the run's exit code."""

    number: int
    who: str
    killed_ns: int
    gone_ns: int
    end_ns: int  # until then nobody else was in front of the leg
    problem: str


class Outcome(NamedTuple):
    kill: Kill
    powered: bool
    free_ms: float  # from the kill
    late_ms: float  # how long the kernel took to end the host, or the keeper's last heartbeat to reach the wire
    budget_ms: float
    stayed_off: bool

    @property
    def problem(self) -> str:
        if self.kill.problem:
            return self.kill.problem
        if not self.stayed_off:
            return "energised again"
        over = self.free_ms - self.late_ms - self.budget_ms
        return f"{over:.1f} ms over its {self.budget_ms:.1f} ms" if self.powered and over > 0 else ""


def campaign(kills: int, seed: int, parallel: int) -> list[Outcome]:
    """The kills of a seed, on several rehearsals at once."""
    with tempfile.TemporaryDirectory(prefix="kills-") as folder, ThreadPoolExecutor(parallel) as threads:
        shares = [range(first, kills, parallel) for first in range(parallel)]
        work = [threads.submit(_one_rehearsal, Path(folder) / str(n), share, seed) for n, share in enumerate(shares)]
        return sorted((o for done in work for o in done.result()), key=lambda outcome: outcome.kill.number)


def _one_rehearsal(folder: Path, numbers: Sequence[int], seed: int) -> list[Outcome]:
    folder.mkdir()
    (folder / "test_motion.py").write_text(SUITE)
    with served(folder, RATE, HOPPER) as rehearsal:
        kills = [_kill(rehearsal, number, random.Random(f"{seed}/{number}")) for number in numbers]
    log = wire.read(rehearsal.wire_log)
    return [_judged(log, kill) for kill in kills]


def _kill(rehearsal: Served, number: int, draw: random.Random) -> Kill:
    """One kill; a run that a busy machine ended before is told and begun once more."""
    for attempt in range(TRIES):
        done = _attempt(rehearsal, number, f"{number}-{attempt}", draw)
        if done is not None:
            return done
        Path(f"{rehearsal.channel}.latch.json").unlink(missing_ok=True)  # a person looks at the leg
    return Kill(number, "host", 0, 0, 0, f"no run lasted until its kill, {TRIES} times")


def _attempt(rehearsal: Served, number: int, name: str, draw: random.Random) -> Kill | None:
    who = ("host", "keeper", "both")[number % 3]
    runs, said = rehearsal.folder / f"runs{name}", rehearsal.folder / f"said{name}"
    begun = rehearsal.wire_log.stat().st_size
    with said.open("wb") as out:
        host = subprocess.Popen(_pytest(rehearsal, runs), stdout=out, stderr=subprocess.STDOUT, cwd=rehearsal.folder)
    _await_first_frame(rehearsal.wire_log, begun, host)
    in_precheck = draw.random() < 0.4
    delay_s = draw.uniform(0.0, PRECHECK_S) if in_precheck else PRECHECK_S + draw.uniform(0.3, MOTION_S)
    select.select([], [], [], delay_s)
    keeper = keeper_of(host.pid)
    killed = monotonic_ns()
    targets = {"host": [host.pid], "keeper": [keeper], "both": [keeper, host.pid]}[who]
    if not keeper or host.poll() is not None:
        host.wait(30)
        errors = [line for line in said.read_text().splitlines() if line.startswith(("E ", "bench error"))]
        print(f"kill {number}: its run ended before: {' '.join(errors)[:300]}", flush=True)
        return None
    draw.shuffle(targets)
    for pid in targets:
        kill(pid)
    gone = await_end(host.pid if who == "host" else keeper, 5.0)
    code = host.wait(30)
    select.select([], [], [], 0.8)
    return Kill(number, who, killed, gone, monotonic_ns(), _record_problem(runs, code))


def _pytest(rehearsal: Served, runs: Path) -> list[str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-c", os.devnull, "--rootdir", str(ROOT)]
    command += [f"--leg={HOPPER}", f"--bench={rehearsal.bench_file}", "--live", f"--signoff={rehearsal.signoff}"]
    return [*command, f"--leg-runs={runs}", str(rehearsal.folder / "test_motion.py")]


def _await_first_frame(log: Path, begun: int, host: subprocess.Popen[bytes]) -> None:
    """Wait until the host has sent something."""
    with log.open("rb") as file:
        file.seek(begun)
        while host.poll() is None:
            if b" T\n" in file.read():
                return
            select.select([], [], [], 0.02)


def _record_problem(runs: Path, code: int) -> str:
    """A killed run is readable, and nobody can take it for a passed one."""
    if code == 0:
        return "pytest ended with exit code 0"
    folders = [path.parent for path in runs.glob("*/run.json")]
    if len(folders) != 1:
        return f"{len(folders)} records"
    try:
        found = verify(folders[0])
    except RecordError as error:
        return f"the record is not readable: {error}"
    if code < 0 and not (found and unsealed_runs(runs)):
        return "the record of a killed run counts as complete"
    return ""


def _judged(log: wire.Wire, kill: Kill) -> Outcome:
    t_ns, end_ns = log.at(kill.killed_ns), log.at(kill.end_ns)
    free = log.last_power_ns(t_ns, t_ns + 500_000_000)
    ramp_ms = log.speed(t_ns) / wire.QUICK_STOP_RAD_S2 * 1e3
    host = kill.who == "host"
    last = kill.gone_ns - kill.killed_ns if host else max((b for b in log.beats if b <= free), default=t_ns) - t_ns
    late_ms = max(0.0, last * 1e-6)
    budget = ramp_ms + (MARGIN_MS + PERIOD_MS if host else LOSS_MS + SAMPLE_MS)
    stayed = log.last_power_ns(free, end_ns) == free
    return Outcome(kill, log.powered(t_ns), (free - t_ns) * 1e-6, late_ms, budget, stayed)


def _quantiles(values: list[float]) -> str:
    ordered = sorted(values)
    return "  ".join(
        f"{name} {ordered[min(len(ordered) - 1, int(share * len(ordered)))]:6.1f}"
        for name, share in (("p50", 0.5), ("p99", 0.99), ("max", 1.0))
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parallel", type=int, default=2)
    arguments = parser.parse_args()
    outcomes = campaign(arguments.kills, arguments.seed, arguments.parallel)
    for who in ("host", "keeper", "both"):
        mine = [o for o in outcomes if o.kill.who == who]
        live = [o for o in mine if o.powered]
        print(f"{who}: {len(mine)} kills, {len(live)} while energised; ms from the kill until no axis has torque:")
        if live:
            print(f"  {_quantiles([o.free_ms for o in live])}   budget {min(o.budget_ms for o in live):.1f}"
                  f"..{max(o.budget_ms for o in live):.1f}")  # fmt: skip
            until = "the kernel had ended the process" if who == "host" else "the last heartbeat was on the wire"
            print(f"  {_quantiles([o.late_ms for o in live])}   of it until {until}")
            print(f"  {_quantiles([max(0.0, o.free_ms - o.late_ms) for o in live])}   after that")
    problems = [o for o in outcomes if o.problem]
    for o in problems:
        print(f"kill {o.kill.number} (seed {arguments.seed}, {o.kill.who}): {o.problem}")
    print(f"{len(outcomes)} kills, {len(problems)} with a problem; load average {os.getloadavg()[0]:.1f}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
