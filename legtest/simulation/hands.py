"""The simulated person: arranges leg and stand by hand, with the power off, the way somebody does at the bench.

Everything is done by moving clamps slowly and waiting until the leg has come to rest, so encoders and friction see it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from legtest.description.model import Instrument
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.simulation.actuator import SimulatedAxis
from legtest.simulation.hook import Hook
from legtest.simulation.instruments import SimulatedInstruments
from legtest.simulation.mjcf import STEP_NS, FOOT_RADIUS_m
from legtest.simulation.physics import Physics

_CHUNK_NS = 10_000_000
_MOVE_CHUNKS = 100
_LEAD_NS = 2_000_000_000  # from end to end
_SETTLE_NS = 1_000_000_000
_OFF_STOP_rad = 0.05  # nobody presses a joint into its stop by hand
_CONTACT_s = 0.5e-3  # within which the emergency stop's own contact tells the instant
_LARGEST_MASS_kg = 20.0
STANDING_SHARE = 0.80  # distance of hip axis and foot when the carriage rests on its block, of the straight leg's


class Pressed(NamedTuple):
    """When an emergency stop was worked, and within which half width that is known, s."""

    t_ns: int
    within_s: float


class SimulatedPerson:
    """Two hands at the bench. `wait` lets a span of virtual time (ns) pass and brings the physics to its end."""

    def __init__(
        self,
        physics: Physics,
        axes: Sequence[SimulatedAxis],
        instruments: SimulatedInstruments,
        wait: Callable[[int], None],
        switch: Callable[..., None] | None = None,
    ) -> None:
        self._physics, self._axes, self._wait = physics, axes, wait
        self._instruments = instruments
        self._hook = Hook(physics)
        self._switch = switch  # of the supplies: on=, logic= (the drives' own goes with it)

    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None:
        """Bring leg and stand into an arrangement, then let them settle; some seconds of virtual time pass.

        mass_kg: the mass to hang from the foot, for SetUp.MASS only.
        Raises UsageError when a drive is powered, or for a mass that does not go with the arrangement.
        """
        self._wait(0)
        powered = [axis.name for axis in self._axes if axis.powered]
        if powered:
            raise UsageError(f"'{setup}': nobody reaches into a powered leg; {', '.join(powered)} must be off first")
        if (setup is SetUp.MASS) != (mass_kg > 0.0) or mass_kg > _LARGEST_MASS_kg:
            raise UsageError(
                f"'{setup}': a mass of {mass_kg:g} kg does not go with it; only '{SetUp.MASS}' takes one, "
                f"above 0 and up to {_LARGEST_MASS_kg:g} kg"
            )
        for joint in self._physics.plant.joints:
            self._physics.clamp(joint, on=False)
        self._physics.hang_mass(mass_kg)
        if setup is SetUp.STANDING:
            self._stand()
        else:
            self._move({"rail": 0.0})
        self._wait(_SETTLE_NS)
        if setup is SetUp.FOOT_CLAMPED:
            for joint in self._physics.plant.joints:
                self._physics.clamp(joint, on=True)

    def read(self, instrument: Instrument, joint: str) -> float:
        """Read an instrument, SI. Raises UsageError for a joint that the leg has not."""
        self._wait(0)
        return self._instruments.read(instrument, joint)

    def pose(self, joints_rad: Sequence[float]) -> None:
        """Take the limp leg by hand to these joint angles (rad, order of the leg) and hold it there, until `let_go`.

        Raises UsageError when a drive is powered.
        """
        self._wait(0)
        if any(axis.powered for axis in self._axes):
            raise UsageError("nobody takes a powered leg by hand")
        physics, plant = self._physics, self._physics.plant
        goals = {}
        for name, stop, angle in zip(plant.joints, plant.stops, joints_rad, strict=True):
            goals[name] = min(max(angle, stop.low_rad + _OFF_STOP_rad), stop.high_rad - _OFF_STOP_rad)
            physics.clamp(name, on=True)
        self._move(goals)
        self._wait(_SETTLE_NS)

    def set_hook(self, height_m: float) -> None:
        """Set the hook that catches the carriage, hip at this height, m."""
        self._wait(0)
        self._hook.set(height_m - self._physics.plant.stand.hip_height_m)

    def pull_hook(self) -> None:
        """Pull it. It catches again once the carriage has fallen."""
        self._wait(0)
        self._hook.pull()

    def power_cycle(self) -> None:
        """Take the supply of the unpowered drives away, logic and all, and give it back; they boot anew."""
        self._wait(0)
        if any(axis.powered for axis in self._axes):
            raise UsageError("the supply of a powered leg is not taken away for a measurement")
        self._supplies(on=False, logic=True)
        self._wait(2 * _SETTLE_NS)
        self._supplies(on=True, logic=True)
        self._wait(_SETTLE_NS)

    def emergency_stop(self, *, pressed: bool) -> Pressed:
        """Press or release the emergency stop, which takes the motor supply away. Its own contact tells when.

        After the release the drives are switched off and on: each holds the fault of having lost its supply.
        """
        self._wait(0)
        self._supplies(on=not pressed, logic=False)
        if not pressed:
            self.power_cycle()
        parts, t_ns = self._physics.plant.parts(), self._physics.step * STEP_NS
        return Pressed(t_ns + round(1e9 * _CONTACT_s * parts.generator("emergency stop").uniform(-1, 1)), _CONTACT_s)

    def _supplies(self, *, on: bool, logic: bool) -> None:
        if self._switch is None:
            raise UsageError("nobody can switch the supplies of this bench")
        self._switch(on=on, logic=logic)

    def lead(self, joint: str, end: str, now_ns: int) -> Callable[[int], bool]:
        """Take an unpowered joint by hand to its "low" or "high" end stop, the others held where they are.

        The answer is asked with the present instant as often as one likes, moves the hand on, and says whether it is
        there. Raises UsageError when a drive is powered.
        """
        if any(axis.powered for axis in self._axes):
            raise UsageError(f"nobody takes the {joint} of a powered leg by hand")
        physics, plant = self._physics, self._physics.plant
        stop = plant.stops[plant.joints.index(joint)]
        start = physics.state().position[physics.joint_index[joint]]
        goal = stop.low_rad if end == "low" else stop.high_rad
        for name in plant.joints:
            physics.clamp(name, on=True)

        def go_on(t_ns: int) -> bool:
            physics.advance(t_ns)
            share = min(1.0, (t_ns - now_ns) / _LEAD_NS)
            physics.clamp(joint, on=True, at=start + share * (goal - start))
            return t_ns >= now_ns + _LEAD_NS + _CHUNK_NS * 10

        return go_on

    def let_go(self) -> None:
        """Take both hands off the leg."""
        for joint in self._physics.plant.joints:
            self._physics.clamp(joint, on=False)

    def _stand(self) -> None:
        """Fold the leg, lower the carriage onto the lower block, and let go."""
        physics, plant = self._physics, self._physics.plant
        pose = self._folded()
        reach = STANDING_SHARE * plant.length_m
        carriage = reach + FOOT_RADIUS_m - plant.stand.hip_height_m
        if carriage > 0.0:
            raise UsageError(
                f"the stand holds the hip {plant.stand.hip_height_m:g} m above the floor: too low for the leg to stand "
                f"folded, which needs {reach + FOOT_RADIUS_m:.3f} m"
            )
        self._move(pose)
        self._move({"rail": carriage})
        physics.block_rail(carriage)
        for joint in ("rail", *pose):
            physics.clamp(joint, on=False)

    def _folded(self) -> dict[str, float]:
        """Joint angles with the foot straight below the hip axis: law of cosines, then the knee's lever."""
        plant = self._physics.plant
        thigh, shank, reach = plant.thigh_m, plant.shank_m, STANDING_SHARE * plant.length_m
        knee = plant.knee_sign * math.acos((reach**2 - thigh**2 - shank**2) / (2 * thigh * shank))
        hip = -math.atan2(shank * math.sin(knee), thigh + shank * math.cos(knee))
        pose = {"abduction": 0.0, "hip": hip, "knee": knee}
        for name, stop in zip(plant.joints, plant.stops, strict=True):
            if not stop.low_rad < pose[name] < stop.high_rad:
                raise UsageError(f"the leg cannot stand folded: joint {name} would be at {pose[name]:.2f} rad")
        return {name: pose[name] for name in plant.joints}

    def _move(self, goals: dict[str, float]) -> None:
        """Take joints (or the rail) by hand and bring them to their goals in a second."""
        physics = self._physics
        physics.block_rail(-10.0)
        now = physics.state().position
        starts = {joint: now[physics.joint_index[joint]] for joint in goals}
        for k in range(1, _MOVE_CHUNKS + 1):
            share = k / _MOVE_CHUNKS
            for joint, goal in goals.items():
                physics.clamp(joint, on=True, at=starts[joint] + share * (goal - starts[joint]))
            self._wait(_CHUNK_NS)
