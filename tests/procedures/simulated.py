"""A simulated leg on its bench, for tests of procedures: no record is written."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from legtest import wiring
from legtest.bench import Bench
from legtest.description import default_bench, read_leg
from legtest.description.model import LegDescription
from legtest.metrology.combine import expanded
from legtest.metrology.decision import decide
from legtest.metrology.measurement import Measurement
from legtest.metrology.verdict import Word
from legtest.procedures.base import Declaration
from legtest.procedures.base import run as run_procedure
from legtest.simulation.faults import parse_fault
from legtest.simulation.rig import Rig
from legtest.study.truth import truth

LEGS = Path(__file__).parents[2] / "fixtures/legs"


class Simulated(NamedTuple):
    leg: LegDescription
    bench: Bench
    rig: Rig

    def run(self, procedure: Declaration, joint: str | None = None, **arguments: Any) -> dict[str, Measurement]:
        """The measurements by quantity; by "quantity subject" where several subjects have it."""
        found = run_procedure(procedure, self.bench, self.leg.joint(joint) if joint else None, **arguments)
        names = [m.quantity for m in found]
        return {m.quantity if names.count(m.quantity) == 1 else f"{m.quantity} {m.subject}": m for m in found}

    def truth(self, m: Measurement) -> float:
        true = truth(self.rig.plant, self.leg, m.quantity, m.subject)
        assert true is not None, f"the parts do not say what {m.quantity} is"
        return true

    def verdict(self, m: Measurement) -> Word:
        """By the leg file's own criteria and rule."""
        return decide(m, self.leg.criteria.limit(m.quantity, m.subject), self.leg.decision).word


def simulated(leg: str, seed: int, *faults: str) -> Simulated:
    description, bench = read_leg(LEGS / f"{leg}.yaml"), default_bench()
    rig = wiring.simulated_rig(description, bench, seed=seed, faults=[parse_fault(text) for text in faults])
    log = wiring.NullLog()
    opened = wiring.bench_on(
        rig.link, description, bench, hands=rig.person, by="the simulation", log=log, frames=log,
        events=lambda text: None,
    )  # fmt: skip
    return Simulated(description, opened, rig)


def assert_holds(m: Measurement, true: float, coverage: float = 0.99) -> None:
    """The interval of this coverage around the value holds the truth; 99 %, so that luck fails no sound test."""
    room = expanded(m, coverage)
    assert abs(m.value - true) <= room, f"{m.subject} {m.quantity}: {m.value:g} +- {room:g}, true {true:g}"
    assert m.invalid == ""
