"""The simulated bench's instruments: what really is, with the error that an instrument of the stated uncertainty has.

Half of the variance of a reading is an error that the instrument keeps as long as the leg's seed is the same, half of
it is new with each reading; both normal.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from legtest.description.model import Instrument
from legtest.errors import UsageError
from legtest.simulation.actuator import SimulatedAxis, Supply
from legtest.simulation.noise import normals
from legtest.simulation.physics import Physics


class SimulatedInstruments:
    """Everything that can be read beside the drives of one simulated bench."""

    def __init__(self, physics: Physics, axes: Sequence[SimulatedAxis], supply: Supply) -> None:
        self._physics, self._axes, self._supply = physics, {axis.name: axis for axis in axes}, supply

    def read(self, instrument: Instrument, joint: str) -> float:
        """What an instrument shows now, SI. Raises UsageError for a joint that the leg has not, or a missing one."""
        true = self._true(instrument.quantity, joint)
        parts, t_ns = self._physics.plant.parts(), self._physics.step
        kept = parts.generator(f"instrument {instrument.quantity}").gauss(0.0, 1.0)
        key = parts.generator(f"instrument {instrument.quantity} noise").getrandbits(64)
        new, _, _ = normals(key, t_ns)
        return true + instrument.u * (kept + new) / sqrt(2)

    def _true(self, quantity: str, joint: str) -> float:
        physics = self._physics
        if quantity == "rail_height":
            return physics.height_m()
        if quantity == "foot_force":
            return physics.floor_force_N()
        if quantity == "stand_displacement":
            return float(physics.data.joint("stand_x").qpos[0])
        if quantity == "supply_current":
            return self._supply.current_A
        if quantity == "winding_temperature" and joint in self._axes:
            return self._axes[joint].temperature_C
        raise UsageError(f"{quantity}: say at which joint it is read: {', '.join(self._axes)}, not {joint!r}")
