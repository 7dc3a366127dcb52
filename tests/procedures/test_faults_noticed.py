"""Each fault, at its default size, makes a quantity fail that its entry names; by the leg file's own criteria."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from simulated import simulated

from legtest.metrology.verdict import Word
from legtest.procedures import backlash, carriage, friction, holding, homing, range_of_motion, tracking
from legtest.procedures.base import Declaration
from legtest.simulation.faults import FAULTS
from legtest.simulation.faults_dynamics import DYNAMICS
from legtest.simulation.faults_electric import ELECTRIC
from legtest.simulation.faults_torque import TORQUE

SEED = 11
# fault -> procedure, joint, arguments, the quantity that must fail
NOTICED: list[tuple[str, Declaration, str | None, dict[str, Any], str]] = [
    ("backlash", backlash.DECLARATION, "knee", {}, "backlash"),
    ("backlash", range_of_motion.DECLARATION, "knee", {}, "travel_error"),
    ("friction", friction.DECLARATION, "hip", {}, "coulomb_friction"),
    ("gear-ratio", range_of_motion.DECLARATION, "knee", {}, "travel_error"),
    ("lost-counts", homing.DECLARATION, "knee", {}, "homing_repeatability"),
    ("loose-end-stop", homing.DECLARATION, "hip", {}, "homing_repeatability"),
    ("dragging-carriage", carriage.DECLARATION, None, {}, "carriage_drag"),
]
NOTICED_SLOWLY: list[tuple[str, Declaration, str | None, dict[str, Any], str]] = [
    ("torque-constant", holding.DECLARATION, "knee", {}, "holding_torque_ratio"),
    ("lost-counts", tracking.DECLARATION, None, {"cycles": 4}, "home_shift knee"),
    ("dropped-frames", tracking.DECLARATION, None, {"cycles": 4}, "telemetry_loss"),
]


def _fails(fault: str, procedure: Declaration, joint: str | None, arguments: dict[str, Any], quantity: str) -> None:
    it = simulated("tarn-fl", SEED, fault)
    measured = it.run(procedure, joint, **arguments)[quantity]
    assert quantity.split()[0] in FAULTS[fault].noticed_by
    assert it.verdict(measured) is Word.FAIL, f"{measured.value:g}, u {measured.u:g}"


@pytest.mark.parametrize(("fault", "procedure", "joint", "arguments", "quantity"), NOTICED)
def test_noticed(
    fault: str, procedure: Declaration, joint: str | None, arguments: dict[str, Any], quantity: str
) -> None:
    _fails(fault, procedure, joint, arguments, quantity)


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "procedure", "joint", "arguments", "quantity"), NOTICED_SLOWLY)
def test_noticed_by_a_long_test(
    fault: str, procedure: Declaration, joint: str | None, arguments: dict[str, Any], quantity: str
) -> None:
    _fails(fault, procedure, joint, arguments, quantity)


def test_no_fault_is_left_out() -> None:
    """Those of drives, encoders, windings and supply are put in beside the tests of their procedures."""
    beside = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*.py"))
    electric = {fault.name for fault in ELECTRIC}
    assert [name for name in electric if f'"{name}"' not in beside] == []
    torque = {fault.name for fault in TORQUE}  # test_torque_faults.py
    dynamic = {fault.name for fault in DYNAMICS}  # test_dynamics_procedures.py
    assert [name for name in dynamic if f'"{name}"' not in beside] == []
    assert {fault for fault, *_ in NOTICED + NOTICED_SLOWLY} | electric | torque | dynamic == FAULTS.keys()


def test_a_fault_is_seen_where_it_sits_and_nowhere_else() -> None:
    """The friction of a neighbour must not fail a sound joint."""
    it = simulated("tarn-fl", SEED, "friction@hip")
    sound = it.run(friction.DECLARATION, "knee")
    assert {it.verdict(m) for m in sound.values()} == {Word.PASS}
