"""One case: the suite run by pytest in a process of its own, and what its record says."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from legtest.description.model import LegDescription
from legtest.errors import UsageError
from legtest.records.reading import Part, Run, read_run
from legtest.study.case import Case
from legtest.study.truth import truth

if TYPE_CHECKING:
    from legtest.simulation.plant import Plant

_USAGE = (2, 3, 4, 5)  # pytest's own: interrupted, internal error, usage error, nothing collected


def execute(case: Case, suite: Sequence[str], runs: Path | None = None) -> dict[str, Any]:
    """Run the suite on the case's leg and read its verdicts: one row of a study, plain data.

    runs: where to keep the records; None: they are thrown away. Raises UsageError when pytest could not run the suite.
    """
    with TemporaryDirectory(prefix="legtest-study-") as temporary:
        folder = (runs or Path(temporary)) / hashlib.sha256(case.key.encode()).hexdigest()[:16]
        command = [sys.executable, "-m", "pytest", *suite, "--leg", case.leg, "--leg-seed", str(case.seed)]
        command += ["--leg-runs", str(folder), "--leg-history", "none", "-q", "-p", "no:cacheprovider"]
        command += ["--leg-fault", case.fault] if case.fault else []
        command += ["-k", case.select] if case.select else []
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=_environment())
        found = sorted(folder.iterdir()) if folder.is_dir() else []
        if done.returncode in _USAGE or done.returncode < 0 or not found:
            tail = "\n".join((done.stdout + done.stderr).strip().splitlines()[-12:])
            raise UsageError(f"{case}: pytest ended with {done.returncode} and judged nothing:\n{tail}")
        return {**case._asdict(), "exit": done.returncode, "code": code_sha256(), **_read(read_run(found[-1]))}


def _environment() -> dict[str, str]:
    """Without PYTEST_ADDOPTS: a case is what its row says."""
    return {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}


@cache
def code_sha256() -> str:
    """SHA-256 over this package's sources: rows of two versions of the code are told apart by it."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[1]
    for path in sorted(root.rglob("*.py")):
        digest.update(f"{path.relative_to(root).as_posix()}\0".encode() + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _read(run: Run) -> dict[str, Any]:
    verdicts = []
    for part in run.parts:
        leg = run.leg(part.leg)
        plant = None if leg is None else _plant(run, part, leg)
        for test, verdict in part.judgements:
            m = verdict.measurement
            true = None if leg is None or plant is None else _true(plant, leg, m.quantity, m.subject)
            verdicts.append(
                {"test": test, "subject": m.subject, "quantity": m.quantity, "word": verdict.word.value,
                 "value": m.value, "u": m.u, "dof": m.dof, "true": true}
            )  # fmt: skip
    return {"tests": {ending.test: ending.word for ending in run.tests}, "verdicts": verdicts}


def _true(plant: Plant, leg: LegDescription, quantity: str, subject: str) -> float | None:
    """By the parts, or by what the parts do in the motion that defines the quantity."""
    from legtest.study.motions import of_motion

    by_parts = truth(plant, leg, quantity, subject)
    return of_motion(plant, leg, quantity, subject) if by_parts is None else by_parts


def _plant(run: Run, part: Part, leg: LegDescription) -> Plant:
    """The parts of the very leg that this part of the run was made on."""
    from legtest.simulation.faults import apply, parse_fault
    from legtest.simulation.plant import plant_of

    seed = int(next(part.bodies("part_begin"))["seed"])
    plant = plant_of(leg, run.header.bench, seed)
    for text in run.header.faults:
        plant = apply(plant, parse_fault(text))
    return plant
