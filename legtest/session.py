"""Benches for tests: one run, a part of it for each opened bench, opened at the first use and closed at the end."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from legtest import wiring
from legtest.bench import Bench
from legtest.description import default_bench, read_bench, read_leg
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import DescriptionError, LegtestError, Problem, UsageError
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Verdict
from legtest.records.part import PartWriter
from legtest.records.recorded import Recorded
from legtest.records.run import Mode, RunWriter
from legtest.records.stream import StreamedMovement


class PartLog:
    """A bench's and a judge's events, written to one part; `test` names whose they are."""

    def __init__(self, part: PartWriter, test: str) -> None:
        self.part, self.test = part, test
        self.now: Callable[[], int] = lambda: 0

    def precheck(self, t_ns: int, report: Mapping[str, Any], /) -> None:
        self.part.precheck(t_ns, report)

    def setup(self, t_ns: int, setup: str, by: str, /) -> None:
        self.part.setup(t_ns, setup, by)

    def movement(self) -> StreamedMovement:
        self._movement = self.part.movement()
        return self._movement

    def recorded(self, t_ns: int, recorded: Recorded, method: str, /) -> None:
        whole = recorded.whole
        kept = self._movement.kept(whole.first_frame, whole.last_frame)
        self.part.segment(t_ns, recorded.segment, [kept], test=self.test, method=method)

    def measured(self, t_ns: int, measurement: Measurement, /) -> None:
        self.part.measurement(t_ns, measurement, test=self.test)

    def verdict(self, verdict: Verdict, /) -> None:
        self.part.verdict(self.now(), verdict, test=self.test)

    def event(self, text: str) -> None:
        self.part.note(self.now(), text, test=self.test)


class OpenBench:
    """A bench with the part that records it."""

    def __init__(self, bench: Bench, log: PartLog) -> None:
        self.bench, self.log = bench, log

    def close(self) -> None:
        """Power off, let go of the bus, end the part; nothing in a forked copy. Raises RecordError for a loss."""
        if not self.bench.is_ours:
            return
        self.bench.close()
        self.log.part.end(self.log.now())


class Setting:
    """What a session was asked for, read and tried. Raises DescriptionError, UsageError with all that is wrong."""

    def __init__(
        self, leg_paths: Sequence[str], bench_path: str | None, seed: int | None, faults: Sequence[str], live: bool
    ) -> None:
        self.legs, self.bench = _read_all(leg_paths, bench_path)
        self.live = live
        self.seed = 1 if seed is None else seed
        self.faults = wiring.faults_of(faults)
        if live and (seed is not None or faults):
            raise UsageError("--leg-seed and --leg-fault belong to the simulation: leave them out with --live")
        if live and len(self.legs) != 1:
            raise UsageError(f"--live takes exactly one --leg, not {len(self.legs)}: one leg hangs on the bench")

        self.attendance = (False, "")  # whether somebody stays at the emergency stop, and who signed
        self.permit_s = float("inf")
        for leg in self.legs:
            self.permit_s = min(self.permit_s, wiring.setup_of(leg, self.bench).permit_ns * 1e-9)
            if not live:
                wiring.simulated_rig(leg, self.bench, seed=self.seed, faults=self.faults)

    def leg(self, name: str) -> LegDescription:
        return next(leg for leg in self.legs if leg.name == name)

    def mode(self, signoff: Path | None, now: datetime) -> Mode:
        """Simulated, or as the sign-off says, and so is `attendance` then.

        Raises UsageError for a sign-off that does not hold.
        """
        if not self.live or signoff is None:
            return "SIMULATED"
        from legtest.live import require_linux
        from legtest.signoff import read_signoff

        require_linux()
        signed = read_signoff(signoff, self.legs[0], self.bench, now)
        self.attendance = (signed.attended and not signed.rehearsal, signed.by)
        return "REHEARSAL" if signed.rehearsal else "LIVE"

    def create_run(
        self,
        runs: Path,
        now: datetime,
        command: Sequence[str],
        mode: Mode = "SIMULATED",
        plugins: Mapping[str, str] | None = None,
    ) -> RunWriter:
        """The run's folder with its header. plugins: of pytest, version by name. Raises RecordError."""
        return RunWriter.create(
            runs, now=now, mode=mode, legs=self.legs, bench=self.bench, command=command,
            seed=None if self.live else self.seed, faults=[str(fault) for fault in self.faults], plugins=plugins,
        )  # fmt: skip


def _read_all(
    leg_paths: Sequence[str], bench_path: str | None
) -> tuple[tuple[LegDescription, ...], BenchDescription]:
    """Every file, whatever is wrong with another. Raises DescriptionError with the problems of all of them."""
    legs: list[LegDescription] = []
    bench: BenchDescription = default_bench()
    problems: list[Problem] = []
    for path in leg_paths:
        try:
            legs.append(read_leg(path))
        except DescriptionError as error:
            problems.extend(error.problems)
    try:
        bench = read_bench(bench_path) if bench_path else bench
    except DescriptionError as error:
        problems.extend(error.problems)
    if problems:
        raise DescriptionError(tuple(problems))
    return tuple(legs), bench


def seed_of(run_seed: int, leg: str, test: str) -> int:
    """The seed of one simulated test: independent of order, selection and worker."""
    digest = hashlib.sha256(f"{run_seed}/{leg}/{test}".encode()).digest()
    return int.from_bytes(digest[:4], "little")


def _begin(part: PartWriter, leg: LegDescription, bench: BenchDescription, test: str, seed: int | None) -> None:
    setup = wiring.setup_of(leg, bench)
    part.begin(leg=leg.name, test=test, seed=seed, wiremaps=setup.axes, sync_id=setup.sync_id)
    for name, description in (("leg.yaml", leg), ("bench.yaml", bench), ("stand.yaml", bench.stand)):
        part.save_description(name, Path(description.path).read_bytes(), read_as=description.sha256)


def open_simulated(setting: Setting, leg: LegDescription, run: Path, test: str, may_energise: Any) -> OpenBench:
    """A fresh simulated leg for one test. Raises UsageError, RecordError."""
    seed = seed_of(setting.seed, leg.name, test)
    log = PartLog(PartWriter(run, test), test)
    _begin(log.part, leg, setting.bench, test, seed)
    rig = wiring.simulated_rig(leg, setting.bench, seed=seed, faults=setting.faults)
    log.now = rig.link.now_ns
    bench = wiring.bench_on(
        rig.link, leg, setting.bench, hands=rig.person, by="simulated person", log=log, frames=log.part.frame_sink,
        events=log.event, may_energise=may_energise,
    )  # fmt: skip
    return OpenBench(bench, log)


def open_live(setting: Setting, run: Path, signoff: Path, now: datetime, may_energise: Any) -> OpenBench:
    """The bench of a live session. Raises UsageError before anything is opened, LinkError."""
    from legtest.live import open_live as open_bench

    leg = setting.legs[0]
    log = PartLog(PartWriter(run, "live"), "")
    _begin(log.part, leg, setting.bench, "", None)
    try:
        bench = open_bench(
            leg, setting.bench, signoff, log=log, folder=log.part.folder, events=log.event,
            may_energise=may_energise, now=now,
        )  # fmt: skip
    except LegtestError:
        log.part.end(0)
        raise
    bench.energy.strict = True
    log.now = bench.now_ns
    return OpenBench(bench, log)
