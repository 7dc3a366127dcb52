"""The mechanics in virtual time: MuJoCo stepped lazily to the instant somebody asks about.

Time is cut into fixed steps. Slow effects (heat, friction over temperature, seats of the end stops) run in a tick at
fixed steps too, so the motion never depends on who looked when.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import mujoco
import numpy as np

from legtest.errors import UsageError
from legtest.simulation.mjcf import STEP_NS, mjcf
from legtest.simulation.plant import Plant, Vector

TICK_STEPS = 40
TICK_s = TICK_STEPS * STEP_NS * 1e-9
POWER_STEPS = 8
POWER_TICK_s = POWER_STEPS * STEP_NS * 1e-9
STEP_s = STEP_NS * 1e-9
_NEVER = 1 << 62
_START_SPREAD_rad = 0.10  # less than friction holds


class State(NamedTuple):
    """Where everything is after the last step: generalised positions, velocities, and true actuator torques (N*m)."""

    position: list[float]
    velocity: list[float]
    torque: list[float]


def view(array: np.ndarray) -> memoryview[float]:
    """A view into an array of doubles in one piece, through which single numbers are read and written."""
    return array.data.cast("B").cast("d")


class Physics:
    """One plant in motion. It starts clamped and hanging, near its rest pose and at rest.

    `on_tick` is called every 20 ms of virtual time, `on_power_tick` every 4 ms.
    """

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.model = mujoco.MjModel.from_xml_string(mjcf(plant))
        self.data = mujoco.MjData(self.model)
        self.model.actuator_forcerange[:] = 0.0
        self.step = 0
        self.on_tick: list[Callable[[], None]] = []
        self.on_power_tick: list[Callable[[], None]] = []
        self.joint_index = {name: self._qpos(name) for name in ("rail", *plant.joints)}
        self.rotor_index = [self._qpos(f"rotor_{axis.name}") for axis in plant.axes]
        self._foot = self.model.body("foot").id
        self._carriage = self.model.body("carriage").id
        self._ramp_end = [_NEVER] * len(plant.axes)
        self._next_tick = TICK_STEPS
        self._next = self._next_power_tick = POWER_STEPS
        self.until_ns = STEP_NS  # advancing to an instant before this one changes nothing
        self._state: State | None = None
        # Views into MuJoCo's memory; making one anew costs more than reading it, and these give and take single
        # numbers in half the time of arrays.
        self.ctrl = view(self.data.ctrl)
        self._arrays = (self.data.qpos, self.data.qvel, self.data.actuator_force)
        self.clamp("rail", on=True)
        self._check_steps()
        self._hang()

    def _qpos(self, joint: str) -> int:
        return int(self.model.joint(joint).qposadr[0])

    def _hang(self) -> None:
        """Leave the limp leg near where it hangs by its weight, as somebody would who just mounted it."""
        plant, parts = self.plant, self.plant.parts()
        angles = []
        for name, stop in zip(plant.joints, plant.stops, strict=True):
            rest = plant.hanging_abduction_rad if name == "abduction" else 0.0
            wish = rest + parts.uniform(f"{name} start", -_START_SPREAD_rad, _START_SPREAD_rad)
            angles.append(min(max(wish, stop.low_rad + 0.05), stop.high_rad - 0.05))
        self.pose(angles)
        mujoco.mj_step(self.model, self.data, nstep=round(0.5 / STEP_s))
        self._state = None

    def _check_steps(self) -> None:
        """Refuse parts so stiff that they would swing or decay faster than the fixed step can follow."""
        mujoco.mj_forward(self.model, self.data)
        mobility = np.linalg.inv(self.mass_matrix())
        joints = [self.joint_index[name] for name in self.plant.joints]
        for axis, row in zip(self.plant.axes, self.plant.actuator_of_joint, strict=True):
            rotor = 1.0 / axis.rotor_inertia_kgm2
            both = rotor + float(np.array(row) @ mobility[np.ix_(joints, joints)] @ np.array(row))
            checks = (
                ("transmission stiffness", axis.transmission_Nm_per_rad, 1.0 / (both * STEP_s**2), "N*m/rad"),
                ("transmission damping", axis.transmission_Nms_per_rad, 1.0 / (both * STEP_s), "N*m*s/rad"),
                ("drive damping", axis.damping_Nms_per_rad, 1.0 / (rotor * STEP_s), "N*m*s/rad"),
                ("drive stiffness", axis.stiffness_Nm_per_rad, 1.0 / (rotor * STEP_s**2), "N*m/rad"),
            )
            for what, value, limit, unit in checks:
                if value > limit:
                    raise UsageError(
                        f"axis {axis.name}: {what} {value:g} {unit} is too much for the simulated leg's time step "
                        f"and inertia, at most {limit:.3g} {unit}: lower it or raise rotor_inertia"
                    )

    def mass_matrix(self) -> np.ndarray:
        """Inertia of all joints, (nv, nv), where they are now."""
        inertia = np.zeros((self.model.nv, self.model.nv))
        mujoco.mj_fullM(self.model, self.data, inertia)
        return inertia

    def pose(self, angles: list[float]) -> None:
        """Put the joints (rad) and the rotors that belong to them somewhere, at rest. For building and for tests."""
        for name, angle in zip(self.plant.joints, angles, strict=True):
            self.data.qpos[self.joint_index[name]] = angle
        rows = zip(self.plant.actuator_of_joint, self.plant.axes, self.rotor_index, strict=True)
        for row, axis, index in rows:
            self.data.qpos[index] = axis.gear_scale * sum(c * q for c, q in zip(row, angles, strict=True))
        self.data.qvel[:] = 0.0
        mujoco.mj_forward(self.model, self.data)
        self._state = None

    def advance(self, t_ns: int) -> None:
        """Step to the last whole step at or before t_ns; never backwards."""
        target = t_ns // STEP_NS
        while self.step < target:
            stop = target if target < self._next else self._next
            mujoco.mj_step(self.model, self.data, stop - self.step)
            self.step = stop
            self.until_ns = (stop + 1) * STEP_NS
            self._state = None
            # Due work is done only when time goes on past it: a new set-point at the same step goes before.
            if stop == self._next:
                self._due()

    def _due(self) -> None:
        if self.step == self._next_power_tick:
            self._next_power_tick += POWER_STEPS
            for call in self.on_power_tick:
                call()
        if self.step == self._next_tick:
            self._next_tick += TICK_STEPS
            for call in self.on_tick:
                call()
        for axis, end in enumerate(self._ramp_end):
            if end == self.step:
                self.ctrl[3 * axis + 1] = 0.0
                self._ramp_end[axis] = _NEVER
        self._next = min(self._next_power_tick, *self._ramp_end)

    def ramp(self, axis: int, steps: int, velocity_rad_s: float) -> None:
        """Set an actuator's velocity demand for a number of steps; zero after them."""
        self.ctrl[3 * axis + 1] = velocity_rad_s
        before = self._ramp_end[axis]
        end = self._ramp_end[axis] = self.step + steps if steps else _NEVER
        if end < self._next:
            self._next = end
        elif before == self._next:
            self._next = min(self._next_power_tick, *self._ramp_end)

    def state(self) -> State:
        """Positions and velocities now; the torques that acted during the last step."""
        state = self._state
        if state is None:
            positions, velocities, torques = self._arrays
            state = self._state = State(positions.tolist(), velocities.tolist(), torques.tolist())
        return state

    def clamp(self, joint: str, *, on: bool, at: float | None = None) -> None:
        """Hold a joint (or "rail") at a value (rad or m; None: where it is), or let it go."""
        number = self.model.equality(f"clamp_{joint}").id
        if on:
            self.model.eq_data[number, 0] = self.data.qpos[self.joint_index[joint]] if at is None else at
        self.data.eq_active[number] = on

    def block_rail(self, low_m: float) -> None:
        """Set the block that the carriage rests on, as carriage position (0 = clamped height)."""
        self.model.joint("rail").range[0] = low_m

    def hang_mass(self, mass_kg: float) -> None:
        """The mass hung from the foot, in place of what hung there (0: nothing)."""
        self.model.body_mass[self._foot] = mass_kg + 1e-9
        self.model.body_inertia[self._foot] = 4e-4 * mass_kg + 1e-12  # a ball of about 30 mm radius
        mujoco.mj_setConst(self.model, mujoco.MjData(self.model))

    def push_foot(self, force_N: Vector) -> None:
        """A steady outside force at the foot's centre, world frame, until the next call."""
        self.data.xfrc_applied[self._foot, :3] = force_N

    def foot_m(self) -> Vector:
        """The foot's centre in the leg frame: from the hip on the carriage, m."""
        mujoco.mj_kinematics(self.model, self.data)
        x, y, z = (self.data.xpos[self._foot] - self.data.xpos[self._carriage]).tolist()
        return x, y, z

    def floor_force_N(self) -> float:
        """The force with which the floor pushes the foot up during the last step, N."""
        force, total = np.zeros(6), 0.0
        for number in range(self.data.ncon):
            mujoco.mj_contactForce(self.model, self.data, number, force)
            total += float(self.data.contact[number].frame.reshape(3, 3)[:, 2] @ force[:3])
        return abs(total)

    def height_m(self) -> float:
        """Height of the hip above the floor, m."""
        return float(self.data.qpos[self.joint_index["rail"]]) + self.plant.stand.hip_height_m
