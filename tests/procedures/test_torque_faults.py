"""Each fault of friction, torque, loop and lengths, at its default size, fails the quantity that its entry names."""

from __future__ import annotations

from typing import Any

import pytest
from simulated import simulated

from legtest.metrology.verdict import Word
from legtest.procedures import breakaway, compliance, heights, positioning, slow_sweep, stribeck, torque_constant
from legtest.simulation.faults import FAULTS
from legtest.simulation.faults_torque import TORQUE

SEED = 11
# fault -> procedure, joint, quantities that must fail; the others of the procedure must not
NOTICED: list[tuple[str, Any, str | None, set[str]]] = [
    ("stiction", breakaway, "hip", {"breakaway_friction"}),
    ("stiction", stribeck, "hip", {"stribeck_friction"}),
    ("friction", positioning, "hip", {"reversal_value"}),
    ("one-sided-friction", slow_sweep, "hip", {"friction_asymmetry"}),
    ("chipped-tooth", slow_sweep, "knee", {"torque_ripple", "ripple_order"}),
    ("gear-loss", torque_constant, "knee", {"load_friction"}),
    ("early-saturation", torque_constant, "knee", {"torque_saturation"}),
    ("current-sense", torque_constant, "hip", {"torque_constant_ratio"}),
    ("soft-loop", compliance, "knee", {"rendered_stiffness_ratio"}),
    ("loop-damping", compliance, "hip", {"rendered_damping_ratio"}),
    ("wrong-link", heights, None, {"shank_error"}),
]


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "procedure", "joint", "failing"), NOTICED, ids=[f"{n[0]}-{n[2]}" for n in NOTICED])
def test_noticed(fault: str, procedure: Any, joint: str | None, failing: set[str]) -> None:
    it = simulated("tarn-fl", SEED, fault)
    found = it.run(procedure.DECLARATION, joint)
    failed = {name for name, m in found.items() if it.verdict(m) is Word.FAIL}
    assert failing <= failed, {name: (m.value, m.u) for name, m in found.items()}
    assert failed <= set(FAULTS[fault].noticed_by)


def test_no_fault_is_left_out() -> None:
    assert {fault.name for fault in TORQUE} <= {fault for fault, *_ in NOTICED}
    named = {name for _, procedure, _, _ in NOTICED for name in procedure.DECLARATION.quantities}
    assert {quantity for fault in TORQUE for quantity in fault.noticed_by} <= named | {"stiffness_ratio"}
