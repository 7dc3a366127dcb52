"""Plain bodies for the campaign: inertia, friction, gravity and end stops per actuator, and sensors that can go wrong.

Cheap on purpose: what is under test is the loop, and the drives in between are the simulation's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import sin
from random import Random

from legtest.simulation.axis import Reading

STEP_NS = 1_000_000
STOP_STIFFNESS, STOP_DAMPING = 4000.0, 20.0  # N*m/rad, N*m*s/rad
AMBIENT_C = 25.0


class Body:
    """One actuator: the power stage, the motor's inertia with what hangs on it, and its sensors. SI, output side.

    Implements the simulation's `Axis`. turns: -1 for a motor connected the wrong way round. slip_rad, drift_rad_s:
    encoder against the output. frozen: the encoder's last reading for ever. push_Nm: from outside.
    stops: where the end stops really are. over: share of the torque limit that the stage gives. switched: told of
    every change of the stage.
    """

    def __init__(self, random: Random, noise_rad: float, stiffness: float, damping: float) -> None:
        self.random, self.noise_rad = random, noise_rad
        self.stiffness, self.damping = stiffness, damping
        self.position = self.velocity = self.torque = 0.0
        self.rest = 0.0  # where it hangs without power
        self.inertia, self.drag, self.gravity_Nm = 0.05, 0.25, 0.8
        self.turns, self.scale = 1, 1.0
        self.slip_rad = self.drift_rad_s = 0.0
        self.slack_rad = 0.0
        self.frozen: Reading | None = None
        self.velocity_factor = 1.0
        self.push_Nm = 0.0
        self.blocked = False
        self.stops = (-9.0, 9.0)
        self.over = 1.0
        self.supply_V = 24.0
        self.temperature_C, self.heating_K_s = AMBIENT_C, 0.0
        self.on = False
        self.limits = (0.0, 0.0)
        self.t_ns = 0
        self.switched: Callable[[int, bool], None] = lambda t_ns, on: None
        self._forward = 0.0
        self._demand = (0, 0, 0.0, 0.0)  # since, over, from, to
        self._reading: tuple[int, Reading] | None = None

    # ------------------------------------------------------------------ what the drive asks
    def read(self, t_ns: int) -> Reading:
        if self._reading is not None and self._reading[0] == t_ns:
            return self._reading[1]
        self.advance(t_ns)
        if self.frozen is not None:
            reading = self.frozen._replace(supply_V=self.supply_V, temperature_C=self.temperature_C)
        else:
            place = self.encoder() + self.random.gauss(0.0, self.noise_rad)
            speed = self.velocity_factor * self.scale * self.velocity + self.random.gauss(0.0, 0.01)
            torque = self.torque + self.random.gauss(0.0, 0.005)
            reading = Reading(place, speed, torque, self.temperature_C, self.supply_V)
        self._reading = (t_ns, reading)
        return reading

    def encoder(self) -> float:
        """What the encoder would read without noise."""
        return self.scale * self.position + self.slip_rad

    def enable(self, t_ns: int, on: bool) -> None:
        self.advance(t_ns)
        here = self.read(t_ns).position_rad
        self.on, self._forward, self._demand = on, 0.0, (t_ns, 0, here, here)
        if not on:
            self.torque = 0.0
        self.switched(t_ns, on)

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None:
        self.advance(t_ns)
        self.limits = (negative_Nm, positive_Nm)

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None:
        self.advance(t_ns)
        self._forward = torque_ff_Nm
        self._demand = (t_ns, over_ns, self.demand_rad(t_ns), target_rad)

    def push(self, t_ns: int, torque_Nm: float) -> None:
        raise AssertionError("nobody asked for a torque mode")

    def demand_rad(self, t_ns: int) -> float:
        since, over, start, end = self._demand
        return end if t_ns >= since + over else start + (end - start) * (t_ns - since) / over

    # ------------------------------------------------------------------ physics
    def advance(self, t_ns: int) -> None:
        """Semi-implicit steps of a millisecond at most, four without power: an end stop swings at 45 Hz."""
        step_ns = STEP_NS if self.on else 4 * STEP_NS
        while self.t_ns < t_ns:
            at = min(self.t_ns + step_ns, t_ns)
            self._step((at - self.t_ns) * 1e-9)
            self.t_ns = at

    def _step(self, span: float) -> None:
        velocity, position = self.velocity, self.position
        if self.on:
            since, over, start, end = self._demand
            now = self.t_ns
            if now >= since + over:
                error, rate = end, 0.0
            else:
                error, rate = start + (end - start) * (now - since) / over, (end - start) * 1e9 / over
            torque = self.stiffness * (error - self.encoder()) + self.damping * (rate - self.scale * velocity)
            torque += self._forward
            low, high = self.limits
            torque = -low * self.over if torque < -low * self.over else torque
            self.torque = high * self.over if torque > high * self.over else torque
        load = self.push_Nm - self.gravity_Nm * sin(position - self.rest) - self.drag * velocity
        if not self.stops[0] < position < self.stops[1]:
            into = position - (self.stops[0] if position <= self.stops[0] else self.stops[1])
            load -= STOP_STIFFNESS * into + STOP_DAMPING * velocity
        velocity += (self.turns * self.torque + load) / self.inertia * span
        self.velocity = velocity = 0.0 if self.blocked else velocity
        self.position = position + velocity * span
        self.slip_rad += self.drift_rad_s * span
        self.temperature_C += self.heating_K_s * span


def bodies(
    count: int, random: Random, gains: Sequence[tuple[float, float]], noise_rad: float, supply_V: float
) -> list[Body]:
    """One body for each actuator. gains: stiffness and damping of each drive's position loop."""
    made = [Body(random, noise_rad, *gains[i]) for i in range(count)]
    for body in made:
        body.supply_V = supply_V
    return made
