"""A simulated power stage with its motor and sensors: the `Axis` that a drive node drives.

The position loop runs in MuJoCo's own PID actuator, once per physics step, on the rotor. All values are at the gearbox
output as the drive believes it; the plant says how far that is from the truth.
"""

from __future__ import annotations

import math

from legtest.simulation.axis import Reading
from legtest.simulation.mjcf import STEP_NS
from legtest.simulation.noise import normals
from legtest.simulation.physics import Physics, POWER_TICK_s, STEP_s, TICK_s, view

_TORQUE_NOISE = 0.002  # of rated torque, standard deviation
_VELOCITY_NOISE_Hz = 100.0  # encoder noise times this bandwidth
LATE_STEPS = 10  # physics steps a demand goes on without a new set-point
_TURNING_rad_s = 0.02
_new = tuple.__new__  # makes a Reading in half the time of calling Reading


class Supply:
    """The one supply of all drives: open voltage less the drop of the power they draw, across the source resistance.

    It takes no current back: what braking gives back charges the capacitors, until the drives have used it up.
    """

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        self._on, self._off_step = True, 0
        self._surplus_J = 0.0  # in the capacitors, above the open voltage
        self._watts = 0.0
        self.highest_V = physics.plant.supply_V
        self._step = -1
        self._volts = physics.plant.supply_V
        axes = enumerate(physics.plant.axes)
        self._windings = [(n, physics.rotor_index[n], axis.winding_ohm_A2_per_Nm2) for n, axis in axes]
        physics.on_power_tick.append(self._tick)

    def volts(self) -> float:
        """Voltage at the drives at the present step, V. Power is shaft power plus copper loss."""
        physics = self._physics
        if physics.step != self._step:
            self._step = physics.step
            plant = physics.plant
            if not self._on:
                gone_s = (physics.step - self._off_step) * STEP_s
                self._volts = plant.supply_V * math.exp(-gone_s / plant.supply.discharge_s)
            elif self._surplus_J > 0.0:
                self._volts = math.sqrt(plant.supply_V**2 + 2 * self._surplus_J / plant.supply.capacitance_F)
            else:
                self._volts = plant.supply_V - max(0.0, plant.supply.source_ohm * self._power() / plant.supply_V)
        return self._volts

    @property
    def on(self) -> bool:
        """Whether it is switched on; off, the capacitors are discharged."""
        return self._on

    @on.setter
    def on(self, on: bool) -> None:
        self._on, self._off_step, self._step, self._surplus_J = on, self._physics.step, -1, 0.0

    @property
    def current_A(self) -> float:
        """What flows out of the supply at the present step."""
        volts = self.volts()
        return max(0.0, self._physics.plant.supply_V - volts) / self._physics.plant.supply.source_ohm if self._on else 0

    def _power(self) -> float:
        _, velocities, torques = self._physics.state()
        watts = self._physics.plant.supply.idle_W
        for number, rotor, ohm in self._windings:
            torque = torques[number]
            watts += torque * velocities[rotor] + ohm * torque * torque
        return watts

    def _tick(self) -> None:
        """What flowed back since the last tick: power by the trapezoidal rule."""
        before, self._watts = self._watts, self._power()
        supply, open_V = self._physics.plant.supply, self._physics.plant.supply_V
        most = 0.5 * supply.capacitance_F * (supply.clamp_V**2 - open_V**2)
        gained = -(before + self._watts) / 2 * POWER_TICK_s
        if self._on:
            self._surplus_J = min(max(0.0, self._surplus_J + gained), most)
        self.highest_V = max(self.highest_V, self.volts())


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
        self.temperature_C = self.case_C = physics.plant.ambient_C
        self._travel_rad = 0.0
        self._neighbour_rad = self._neighbour()
        self._count_step = 1 << plant.drive.stuck_bits
        self._torque_sign = plant.drive.torque_sign
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
        self._friction, self._applied = view(physics.model.dof_frictionloss), view(physics.data.qfrc_applied)
        self._torque = plant.torque
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
        ahead_s = (t_ns - physics.step * STEP_NS) * 1e-9 - self._plant.reading_age_s
        position = positions[self._rotor] + velocity * ahead_s + self._offset
        n_position, n_velocity, n_torque = normals(self._key, t_ns)
        self._read_ns = t_ns
        fields = (
            round((position / count + self._position_noise * n_position) / self._count_step) * self._count_step * count,
            velocity + self._velocity_noise_rad_s * n_velocity,
            self._torque.read_Nm(torques[self._number] / self._scale) * self._torque_sign
            + self._torque_noise_Nm * n_torque,
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
        given = self._torque.given_Nm
        self._range = (given(-negative_Nm) * self._scale, given(positive_Nm) * self._scale)
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
        self._ctrl[i + 2] = (torque_ff_Nm - self._torque.sense_offset_Nm) * self._scale
        physics.ramp(self._number, steps + grace, velocity)
        self._demand = (t_ns, over_ns + grace * STEP_NS, start + self._offset, target_rad + beyond)

    def push(self, t_ns: int, torque_Nm: float) -> None:
        """Torque mode."""
        self._physics.advance(t_ns)
        self._position_loop = False
        self._gains[1] = self._gains[2] = 0.0
        self._ctrl[3 * self._number + 2] = self._torque.given_Nm(torque_Nm) * self._scale

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
        self._ctrl[i + 2] = -self._torque.sense_offset_Nm * self._scale
        self._physics.ramp(self._number, 0, 0.0)
        self._demand = (t_ns, 0, here + self._offset, here + self._offset)

    def _apply_range(self) -> None:
        self._force_range[0], self._force_range[1] = self._range if self.powered else (0.0, 0.0)

    def _tick(self) -> None:
        """What changes slowly: winding temperature, friction over angle and temperature, counts lost on the way."""
        state, plant, ambient = self._physics.state(), self._plant, self._physics.plant.ambient_C
        current = state.torque[self._number] / plant.torque_constant
        # Two bodies: the winding heats its housing, which gives the same heat to the room.
        rise, warmer = plant.heating_K_per_Nm2 * current * current, self.temperature_C - self.case_C
        share = plant.drive.case_K_per_Nm2 / plant.heating_K_per_Nm2
        self.temperature_C += TICK_s / plant.heating_s * (rise - warmer)
        self.case_C += TICK_s / plant.drive.case_s * (share * warmer - (self.case_C - ambient))
        angle = 3 * state.position[self._rotor] + plant.friction_phase_rad
        warm = max(0.5, 1.0 - plant.friction_cooling_per_K * (self.temperature_C - ambient))
        stiff = 1.0
        if plant.drive.stiff_cold:
            self._travel_rad += abs(state.velocity[self._rotor]) * TICK_s
            stiff += plant.drive.stiff_cold * math.exp(-self._travel_rad / plant.drive.worn_in_rad)
        self._rub(plant.friction_Nm * stiff * warm * (1.0 + plant.friction_ripple * math.sin(angle)))
        if plant.lost_counts_per_s and abs(state.velocity[self._rotor]) > _TURNING_rad_s:
            self._lose(plant.lost_counts_per_s * TICK_s)
        if plant.drive.neighbour_share:
            before, self._neighbour_rad = self._neighbour_rad, self._neighbour()
            self._shift(plant.drive.neighbour_share * (self._neighbour_rad - before))

    def _rub(self, coulomb_Nm: float) -> None:
        """Friction and ripple for the next tick, at the speed, load and angle of now.

        An unlike friction in the two directions is a like one and a steady torque against the positive direction.
        """
        state, torque = self._physics.state(), self._torque
        angle, speed = state.position[self._rotor], state.velocity[self._rotor]
        running = coulomb_Nm * torque.friction_factor(speed)
        self._friction[self._rotor] = running + torque.load_friction * abs(state.torque[self._number])
        self._applied[self._rotor] = torque.ripple_Nm(angle) - torque.asymmetry * running

    def power_up(self) -> None:
        """The drive gets its supply anew: what its encoder does not know by itself is gone."""
        if turns := self._plant.drive.turns_known:
            span = 2 * math.pi / turns
            reading = self._physics.state().position[self._rotor] + self._offset
            self._offset -= round(reading / span) * span

    def _neighbour(self) -> float:
        index = self._physics.rotor_index
        return self._physics.state().position[index[self._number - 1]] if self._plant.drive.neighbour_share else 0.0

    def _lose(self, counts: float) -> None:
        """The reading sinks, always the same way."""
        self._lost += counts
        whole = int(self._lost)
        self._lost -= whole
        self._shift(-whole * self._count)

    def _shift(self, reading_rad: float) -> None:
        """The reading moves; the loop, which knows nothing else, moves the rotor's demand the other way."""
        self._offset += reading_rad
        self._act[self._number] -= reading_rad
        self._ctrl[3 * self._number] -= reading_rad
