"""Physics and axes without bus or firmware, and plants made simple enough for closed formulas."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from legtest.simulation.actuator import SimulatedAxis, Supply
from legtest.simulation.hands import SimulatedPerson
from legtest.simulation.instruments import SimulatedInstruments
from legtest.simulation.physics import Physics
from legtest.simulation.plant import Plant
from legtest.simulation.stops import EndStops
from legtest.simulation.torques import TorquePlant

MS = 1_000_000
S = 1_000_000_000
IDEAL_TORQUE = TorquePlant(6.0, 0.0, 0.05, 0.0, 0.0, (), 0.0, 0.0)
IDEAL_AXIS = {
    "friction_Nm": 0.0,
    "viscous_Nms_per_rad": 0.0,
    "backlash_rad": 0.0,
    "torque_constant": 1.0,
    "sense_gain": 1.0,
    "zero_rad": 0.0,
    "noise_counts": 0.0,
    "torque": IDEAL_TORQUE,
}


def with_axes(plant: Plant, **changes: Any) -> Plant:
    return replace(plant, axes=tuple(replace(axis, **changes) for axis in plant.axes))


def ideal(plant: Plant, **changes: Any) -> Plant:
    """No friction, no play, true torque constants, and a stand too heavy to move."""
    stand = replace(plant.stand, moving_mass_kg=1e6, stiffness_N_per_m=1e6)
    return with_axes(replace(plant, stand=stand), **(IDEAL_AXIS | changes))


class Mechanics:
    """A plant in motion with its axes and a person, and a clock of its own."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.physics = Physics(plant)
        self.stops = EndStops(self.physics)
        supply = Supply(self.physics)
        self.axes = tuple(SimulatedAxis(self.physics, number, supply) for number in range(len(plant.axes)))
        self.now_ns = 0
        self.person = SimulatedPerson(
            self.physics, self.axes, SimulatedInstruments(self.physics, self.axes, supply), self.wait
        )

    def wait(self, span_ns: int) -> None:
        self.now_ns += span_ns
        self.physics.advance(self.now_ns)

    def axis(self, name: str) -> SimulatedAxis:
        return self.axes[self.plant.joints.index(name)]

    def power(self, limit_Nm: float = 18.0) -> None:
        for axis in self.axes:
            axis.enable(self.now_ns, True)
            axis.limit(self.now_ns, limit_Nm, limit_Nm)

    def joint(self, name: str) -> float:
        return self.physics.state().position[self.physics.joint_index[name]]

    def speed(self, name: str) -> float:
        return self.physics.state().velocity[self.physics.joint_index[name]]

    def rotor(self, number: int) -> float:
        return self.physics.state().position[self.physics.rotor_index[number]]

    def torques(self) -> list[float]:
        return self.physics.state().torque
