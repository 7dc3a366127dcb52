"""Every built-in procedure on the simulated leg, evaluated in the run and again from the record: the same bytes."""

from __future__ import annotations

from pathlib import Path

import pytest

from legtest import wiring
from legtest.description import default_bench, read_leg
from legtest.metrology.decision import decide
from legtest.procedures.base import Declaration
from legtest.procedures.base import run as run_procedure
from legtest.procedures.catalogue import PROCEDURES
from legtest.records.part import PartWriter
from legtest.records.reading import read_run
from legtest.records.recorded import Recorded
from legtest.records.run import RunWriter
from legtest.replay import replay, replay_part
from tests.records.make_run import STARTED

ROOT = Path(__file__).parents[2]


class PartLog:
    """The part's end of a bench."""

    def __init__(self, part: PartWriter) -> None:
        self.part = part
        self.precheck, self.setup = part.precheck, part.setup

    def recorded(self, t_ns: int, recorded: Recorded, method: str, /) -> None:
        self.part.segment(t_ns, recorded.segment, [], test="t", method=method)


@pytest.mark.slow
@pytest.mark.parametrize("procedure", PROCEDURES, ids=lambda procedure: procedure.name)
def test_replayed_byte_for_byte(procedure: Declaration, tmp_path: Path) -> None:
    leg, description = read_leg(ROOT / "fixtures/legs/tarn-hopper.yaml"), default_bench()
    run = RunWriter.create(tmp_path, now=STARTED, mode="SIMULATED", legs=[leg], bench=description, seed=7)
    part = run.part("t")
    setup = wiring.setup_of(leg, description)
    part.begin(leg=leg.name, test="t", seed=7, wiremaps=setup.axes, sync_id=setup.sync_id)
    rig = wiring.simulated_rig(leg, description, seed=7)
    bench = wiring.bench_on(
        rig.link, leg, description, hands=rig.person, by="simulated", log=PartLog(part), frames=part.frame_sink,
        events=lambda _: None, setup=setup,
    )  # fmt: skip
    measured = run_procedure(procedure, bench, leg.joints[0] if procedure.per_joint else None)
    for m in measured:
        part.measurement(0, m, test="t")
        part.verdict(0, decide(m, leg.criteria.limit(m.quantity, m.subject), leg.decision), test="t")
    bench.close()
    part.end(0)
    run.seal()
    record = read_run(run.folder)
    result = replay_part(record.parts[0], record.leg(leg.name))
    assert (result.measurements, result.verdicts, result.others) == (len(measured), len(measured), [])
    assert replay(part.folder) == ()
