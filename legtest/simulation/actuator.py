"""A simulated power stage with its motor and sensors: the `Axis` that a drive node drives.

The position loop runs in MuJoCo's own PID actuator, once per physics step, on the rotor. All values are at the gearbox
output as the drive believes it; the plant says how far that is from the truth.
"""

from __future__ import annotations

import math

from legtest.simulation.axis import Reading
from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.noise import normals
from legtest.simulation.physics import Physics, STEP_s, TICK_s, view

_TORQUE_NOISE = 0.002  # of rated torque, standard deviation
_VELOCITY_NOISE_Hz = 100.0  # encoder noise times this bandwidth
LATE_STEPS = 10  # physics steps a demand goes on without a new set-point
_TURNING_rad_s = 0.02
_new = tuple.__new__  # makes a Reading in half the time of calling Reading


class Supply:
    """The one supply of all drives: open voltage less the drop of the power they draw, across the source resistance."""

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        self.on = True
        self._step = -1
        self._volts = physics.plant.supply_V
        axes = enumerate(physics.plant.axes)
        self._windings = [(n, physics.rotor_index[n], axis.winding_ohm_A2_per_Nm2) for n, axis in axes]

    def volts(self) -> float:
        """Voltage at the drives at the present step, V. Power is shaft power plus copper loss; 0 when switched off."""
        if not self.on:
            return 0.0
        physics = self._physics
        if physics.step != self._step:
            self._step = physics.step
            plant = physics.plant
            _, velocities, torques = physics.state()
            watts = 0.0
            for number, rotor, ohm in self._windings:
                torque = torques[number]
                watts += torque * velocities[rotor] + ohm * torque * torque
            self._volts = plant.supply_V - plant.source_ohm * watts / plant.supply_V
        return self._volts


class SimulatedAxis:
    """One axis of the plant, by its number. See `legtest.simulation.axis.Axis` for what each call means."""

    def __init__(self, physics: Physics, number: int, supply: Supply) -> None:
        self._physics, self._number, self._supply = physics, number, supply
        self._plant = plant = physics.plant.axes[number]
        self._rotor = physics.rotor_index[number]
        self._scale = plant.torque_scale
        self._count = 2 * math.pi / plant.counts_per_turn
        self._key = physics.plant.parts().generator(f"{plant.name} noise").getrandbits(64)
        self._offset = plant.zero_rad  # reading = rotor angle + offset
        self._lost = 0.0  # counts not yet lost in whole
        self.temperature_C = physics.plant.ambient_C
        self.name = plant.name
        self.powered = False
        self._position_loop = True
        self._range = (0.0, 0.0)
        self._read_ns = -1
        self._reading = Reading(0.0, 0.0, 0.0, 0.0, 0.0)
        self._demand = (0, 0, 0.0, 0.0)  # start and length in ns, start and end in rad as read
        self._position_noise = plant.noise_counts
        self._velocity_noise_rad_s = plant.noise_counts * self._count * _VELOCITY_NOISE_Hz
        self._torque_noise_Nm = plant.rated_torque_Nm * _TORQUE_NOISE
        # Views into MuJoCo's own arrays: item access on them is the cheapest way in.
        self._act, self._ctrl = view(physics.data.act), physics.ctrl
        self._slew = view(physics.model.actuator_dynprm[number])
        self._gains = view(physics.model.actuator_biasprm[number])
        self._force_range = view(physics.model.actuator_forcerange[number])
        self._friction = view(physics.model.dof_frictionloss)
        self._loop_gains = (-plant.stiffness_Nm_per_rad * self._scale, -plant.damping_Nms_per_rad * self._scale)
        physics.on_tick.append(self._tick)

    def read(self, t_ns: int) -> Reading:
        """The sensors at t_ns."""
        if t_ns == self._read_ns:
            return self._reading
        physics = self._physics
        if t_ns >= physics.until_ns:
            physics.advance(t_ns)
        positions, velocities, torques = physics.state()
        count, velocity = self._count, velocities[self._rotor]
        # Between two steps the rotor turns on: without this the phase of the SYNC within a step would be a lag.
        position = positions[self._rotor] + velocity * (t_ns - physics.step * STEP_NS) * 1e-9 + self._offset
        n_position, n_velocity, n_torque = normals(self._key, t_ns)
        self._read_ns = t_ns
        fields = (
            round(position / count + self._position_noise * n_position) * count,
            velocity + self._velocity_noise_rad_s * n_velocity,
            torques[self._number] / self._scale + self._torque_noise_Nm * n_torque,
            self.temperature_C,
            self._supply.volts(),
        )
        reading = self._reading = _new(Reading, fields)
        return reading

    def enable(self, t_ns: int, on: bool) -> None:
        """Switch the power stage. On: the demand is where the axis is, without torque until a limit allows it."""
        self._physics.advance(t_ns)
        self.powered = on
        self._hold_here(t_ns)
        self._apply_range()

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None:
        """Torque limits as magnitudes, as the drive believes them."""
        self._physics.advance(t_ns)
        self._range = (-negative_Nm * self._scale, positive_Nm * self._scale)
        self._apply_range()

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None:
        """Position loop with a linear demand from where it is to the target.

        When nothing new comes it goes on at that speed for half as long, 5 ms at most, and is then held: a SYNC that is
        late by microseconds must not stop the axis for a moment.
        """
        physics, i = self._physics, 3 * self._number
        if t_ns >= physics.until_ns:
            physics.advance(t_ns)
        if not self._position_loop:
            self._hold_here(t_ns)
        start = self._act[self._number]
        target = target_rad - self._offset
        # The actuator's own slew limit draws the line between two set-points: 0 means none.
        steps = over_ns // STEP_NS
        velocity = (target - start) / (steps * STEP_s) if steps else 0.0
        grace = min(steps // 2, LATE_STEPS)
        beyond = velocity * grace * STEP_s
        self._slew[1] = abs(velocity)
        self._ctrl[i] = target + beyond
        self._ctrl[i + 2] = torque_ff_Nm * self._scale
        physics.ramp(self._number, steps + grace, velocity)
        self._demand = (t_ns, over_ns + grace * STEP_NS, start + self._offset, target_rad + beyond)

    def push(self, t_ns: int, torque_Nm: float) -> None:
        """Torque mode."""
        self._physics.advance(t_ns)
        self._position_loop = False
        self._gains[1] = self._gains[2] = 0.0
        self._ctrl[3 * self._number + 2] = torque_Nm * self._scale

    def demand_rad(self, t_ns: int) -> float:
        """The position demand at t_ns, as read; in torque mode, where the axis is."""
        if not self._position_loop:
            self._physics.advance(t_ns)
            return self._physics.state().position[self._rotor] + self._offset
        since, over, start, end = self._demand
        return end if t_ns >= since + over else start + (end - start) * (t_ns - since) / over

    def _hold_here(self, t_ns: int) -> None:
        here = self._physics.state().position[self._rotor]
        i = 3 * self._number
        self._position_loop = True
        self._gains[1], self._gains[2] = self._loop_gains
        self._act[self._number] = self._ctrl[i] = here
        self._ctrl[i + 2] = 0.0
        self._physics.ramp(self._number, 0, 0.0)
        self._demand = (t_ns, 0, here + self._offset, here + self._offset)

    def _apply_range(self) -> None:
        self._force_range[0], self._force_range[1] = self._range if self.powered else (0.0, 0.0)

    def _tick(self) -> None:
        """What changes slowly: winding temperature, friction over angle and temperature, counts lost on the way."""
        state, plant, ambient = self._physics.state(), self._plant, self._physics.plant.ambient_C
        current = state.torque[self._number] / plant.torque_constant
        rise = plant.heating_K_per_Nm2 * current * current
        self.temperature_C += TICK_s / plant.heating_s * (ambient + rise - self.temperature_C)
        angle = 3 * state.position[self._rotor] + plant.friction_phase_rad
        warm = max(0.5, 1.0 - plant.friction_cooling_per_K * (self.temperature_C - ambient))
        self._friction[self._rotor] = plant.friction_Nm * warm * (1.0 + plant.friction_ripple * math.sin(angle))
        if plant.lost_counts_per_s and abs(state.velocity[self._rotor]) > _TURNING_rad_s:
            self._lose(plant.lost_counts_per_s * TICK_s)

    def _lose(self, counts: float) -> None:
        """The reading sinks, always the same way; the loop follows it, so the rotor's demand moves the other way."""
        self._lost += counts
        whole = int(self._lost)
        self._lost -= whole
        shift = whole * self._count
        self._offset -= shift
        self._act[self._number] += shift
        self._ctrl[3 * self._number] += shift
