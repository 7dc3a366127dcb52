"""True figures of links, stand and landing, from MuJoCo's own model of the parts or from the parts moved straight."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from legtest.description import default_bench
from legtest.description.model import LegDescription
from legtest.kinematics import foot_of_joints, joints_of_foot
from legtest.metrology.ringing import ringing
from legtest.procedures import drop, stand, stand_mode
from legtest.study.straight import played
from legtest.wiring import setup_of

if TYPE_CHECKING:
    from legtest.simulation.physics import Physics
    from legtest.simulation.plant import Plant

FloatArray = NDArray[np.float64]
Figures = dict[str, float]
PERIOD_S = 0.004


def links(plant: Plant, leg: LegDescription, joint: str) -> Figures:
    """Gravity moment and apparent inertia of a joint, straight leg, by MuJoCo's mass matrix and bias force."""
    from legtest.simulation.physics import Physics

    physics = Physics(plant)
    index = leg.joint_names.index(joint)
    dof = physics.joint_index[joint]
    torques = []
    for angle in (0.0, np.pi / 2):
        pose = [0.0] * len(leg.joints)
        pose[index] = angle
        physics.pose(pose)
        torques.append(float(physics.data.qfrc_bias[dof]))
    physics.pose([0.0] * len(leg.joints))
    inertia = physics.mass_matrix()
    rotors = sum(
        row[index] ** 2 * axis.rotor_inertia_kgm2 * axis.gear_scale**2
        for row, axis in zip(plant.actuator_of_joint, plant.axes, strict=True)
    )
    gravity = float(np.hypot(torques[0], torques[1]))
    return {"gravity_moment": gravity, "apparent_inertia": float(inertia[dof, dof]) + rotors}


def stiffness(plant: Plant, leg: LegDescription, subject: str) -> Figures:
    """Of the stand, and of the foot along x in series of loops and transmissions, standing as the procedure stands."""
    height = 0.80 * plant.length_m + stand.LIFT_M
    pose = joints_of_foot(leg, np.array([0.0, leg.geometry.hip_offset_m, -height]))
    give = np.array([
        1 / (axis.stiffness_Nm_per_rad * axis.torque_scale) + 1 / axis.transmission_Nm_per_rad for axis in plant.axes
    ])  # fmt: skip
    return {
        "stand_stiffness": plant.stand.stiffness_N_per_m,
        "foot_stiffness": 1 / stand.foot_compliance(leg, pose, give),
    }


def ring(plant: Plant, leg: LegDescription, subject: str) -> Figures:
    """Frequency and damping of the stand's own deflection after the same kick."""
    motion = played(plant, leg, stand_mode.kick(leg, PERIOD_S), PERIOD_S)
    first, last = stand_mode.slow_rows(PERIOD_S)
    part = (motion.t_s >= first * PERIOD_S) & (motion.t_s < last * PERIOD_S)
    found = ringing(
        motion.t_s[part][::8], motion.stand_m[part][::8], lowest_hz=stand_mode.LOWEST_HZ,
        highest_hz=stand_mode.HIGHEST_HZ,
    )  # fmt: skip
    return {"stand_frequency": found.frequency_hz, "stand_damping": found.damping}


def landing(plant: Plant, leg: LegDescription, subject: str) -> Figures:
    """A drop of the same height, straight: the foot's way to the floor is exact, and every half millisecond is seen."""
    speeds = tuple(joint.speed_rad_s for joint in setup_of(leg, default_bench()).joints)
    height = min(drop.MOST_M, drop.allowed_drop_m(leg, speeds))
    pose = drop.landing_pose(leg, np.array([0.0, leg.geometry.hip_offset_m, 0.0]))
    hang_s, rows = 0.5, np.tile(pose, (round(2.0 / PERIOD_S), 1))

    def prepare(physics: Physics) -> None:
        from legtest.simulation.mjcf import FOOT_RADIUS_m

        foot_z = physics.foot_m()[2]
        rail = height + FOOT_RADIUS_m - foot_z - plant.stand.hip_height_m
        physics.data.qpos[physics.joint_index["rail"]] = rail
        physics.clamp("rail", on=True, at=rail)

    def during(physics: Physics, row: int) -> None:
        if row == round(hang_s / PERIOD_S):
            physics.clamp("rail", on=False)

    motion = played(plant, leg, rows, PERIOD_S, prepare, during)
    length = np.linalg.norm(foot_of_joints(leg, motion.joints_rad), axis=1)
    before = float(length[(motion.t_s > hang_s - 0.2) & (motion.t_s < hang_s)].mean())
    after = motion.t_s >= hang_s
    found = drop.landing(length[after], before, round(drop.SETTLED_S / 5e-4))
    caps = np.array([joint.torque_Nm for joint in leg.joints])
    return {
        "landing_torque": float((np.abs(motion.torques_Nm[after]) / caps).max()),
        "landing_compression": found.compression_m,
        "landing_rebound": found.rebound,
    }
