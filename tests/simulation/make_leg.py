"""Leg and bench descriptions built by hand, for tests of the simulation alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from legtest.description.model import (
    BenchDescription,
    Criteria,
    DecisionRule,
    DriveDescription,
    Geometry,
    HomeDescription,
    JointDescription,
    LegDescription,
    StandDescription,
)

Rows = tuple[tuple[float, ...], ...]
BELT: Rows = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.0, 1.0))
TRAVEL = {"abduction": (-0.7, 0.7), "hip": (-1.2, 1.6), "knee": (-2.3, 0.0)}


def make_joint(name: str, node: int) -> JointDescription:
    low, high = TRAVEL[name]
    drive = DriveDescription("cia402", node, "axis.eds", 65536.0, 6.0, 1, 150.0, 2.5, 0x5E7, 2, 1, 100 + node)
    home = HomeDescription("low", 2.2, 0.5)
    return JointDescription(name, drive, (low, high), (low + 0.05, high - 0.05), 8.0, 9.0, home)


def make_leg(
    planar: bool = False, simulation: Mapping[str, Any] | None = None, offset: float = 0.061
) -> LegDescription:
    """The three-joint leg with a belt-driven knee, or the planar one with the motor in the knee."""
    names = ("hip", "knee") if planar else ("abduction", "hip", "knee")
    return LegDescription(
        name="tarn-hopper" if planar else "tarn-fl",
        path="leg.yaml",
        sha256="0" * 64,
        geometry=Geometry(0.0 if planar else offset, 0.172, 0.188, -1),
        joints=tuple(make_joint(name, node) for node, name in enumerate(names, 1)),
        coupling=((1.0, 0.0), (0.0, 1.0)) if planar else BELT,
        criteria=Criteria({}, {}),
        decision=DecisionRule("guarded", 0.95),
        simulation=simulation or {},
    )


def make_bench(simulation: Mapping[str, Any] | None = None) -> BenchDescription:
    measures = {"catch": "rope", "brake_clamp": "none", "emergency_stop": "on the table", "fence": "none"}
    stand = StandDescription("stand", "stand.yaml", "0" * 64, 1.4, 0.55, measures, simulation or {})
    return BenchDescription(
        "bench", "bench.yaml", "0" * 64, stand, "simulated", "", 1_000_000, 250.0, 0.02, 0.1, 0.5, 0.001
    )
