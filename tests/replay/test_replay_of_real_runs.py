"""Every built-in procedure on the simulated leg, evaluated in the run and again from the record: the same bytes."""

from __future__ import annotations

from pathlib import Path

import pytest

from legtest.judge import Judge
from legtest.procedures.base import Declaration
from legtest.procedures.base import run as run_procedure
from legtest.procedures.catalogue import PROCEDURES
from legtest.records.reading import read_run
from legtest.replay import replay, replay_part
from legtest.session import Setting, open_simulated
from tests.records.make_run import STARTED

LEG = Path(__file__).parents[2] / "fixtures/legs/tarn-hopper.yaml"


@pytest.mark.slow
@pytest.mark.parametrize("procedure", PROCEDURES, ids=lambda procedure: procedure.name)
def test_replayed_byte_for_byte(procedure: Declaration, tmp_path: Path) -> None:
    setting = Setting([str(LEG)], None, 1, [], False)
    (leg,) = setting.legs
    run = setting.create_run(tmp_path, STARTED, ())
    opened = open_simulated(setting, leg, run.folder, "t", lambda: "")
    measured = run_procedure(procedure, opened.bench, leg.joints[0] if procedure.per_joint else None)
    verdicts = Judge(leg, opened.log, "t")(*measured)
    opened.close()
    run.seal()
    record = read_run(run.folder)
    result = replay_part(record.parts[0], record.leg(leg.name))
    assert (result.measurements, result.verdicts, result.others) == (len(measured), len(verdicts), [])
    assert len(measured) > 0
    assert replay(opened.log.part.folder) == ()
