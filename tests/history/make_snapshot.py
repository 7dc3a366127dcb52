"""Made-up runs as they are compared and kept: every number is invented."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from legtest.history.fingerprint import Fingerprint
from legtest.history.snapshot import Drive, Snapshot, Value
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine

BEGIN = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)
LEG = "tarn-fl"
SETTING: Mapping[str, Any] = {"rate_hz": 250.0, "known_mass_kg": 1.0, "stand.name": "streams"}


def make_value(
    x: float,
    *,
    quantity: str = "coulomb_friction",
    subject: str = "knee",
    test: str = "test_gears.py::test_friction",
    leg: str = LEG,
    n: int = 0,
    u: float = 0.01,
    systematic: float = 0.0,
    margin: float | None = 0.05,
    word: str = "pass",
    reference: Any = "internal",
    kind: str | None = None,
    invalid: str = "",
    **covariates: float,
) -> Value:
    """One value, SI; covariates: winding_temperature_C=30 and the like."""
    lines = [BudgetLine("repeats", u, 9, "A")]
    lines += [BudgetLine("torque scale", systematic, systematic=True)] if systematic else []
    m = measurement(
        quantity, subject, x, lines, reference=reference, covariates=covariates, invalid=invalid, kind=kind
    )
    source = "margin of tarn-fl.yaml:84" if margin else "no margin set: nobody said"
    return Value(leg, test, n, m, word, None, 0.33, margin, source)


def make_snapshot(*values: Value, day: int = 0, uid: str | None = None, **more: Any) -> Snapshot:
    """A run of the leg, `day` days after the first."""
    started = BEGIN + timedelta(days=day)
    drives = tuple(Drive(LEG, joint, 4100 + n, 0, 1, 1, "1.8") for n, joint in enumerate(("hip", "knee"), 1))
    behaviour = tuple(Fingerprint(LEG, d.joint, "test_gears.py::test_friction", 300.0, 310.0, 0.99) for d in drives)
    made = Snapshot(
        f"{day:064x}" if uid is None else uid, f"{started:%Y%m%d-%H%M%S}-{LEG}-01",
        started.isoformat(timespec="seconds"), "SIMULATED", 1, (), "0.1.0", "bench", "streams", SETTING,
        {LEG: "a" * 64}, drives, behaviour, values,
    )  # fmt: skip
    return replace(made, **more)


def with_drive(run: Snapshot, joint: str, **changed: Any) -> Snapshot:
    """The same run with another drive in a joint."""
    drives = tuple(replace(d, **changed) if d.joint == joint else d for d in run.drives)
    return replace(run, drives=drives)


def nightly(days: int, *, quantities: int = 3, seed: int = 8, shift: float = 0.0, since: int = 0) -> list[Snapshot]:
    """One run a day, each quantity around a level of its own; the first moves by `shift` on day `since`."""
    rng = random.Random(seed)
    runs = []
    for day in range(days):
        levels = [0.2 + 0.01 * n + (shift if n == 0 and day >= since else 0.0) for n in range(quantities)]
        values = (make_value(level + 0.01 * rng.gauss(0, 1), n=n) for n, level in enumerate(levels))
        runs.append(make_snapshot(*values, day=day))
    return runs


