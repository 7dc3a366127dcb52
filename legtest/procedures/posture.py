"""Where to put a leg for a measurement, worked out from its description."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legtest.description.model import JointDescription, LegDescription
from legtest.kinematics import actuator_torques, hold_torques

FloatArray = NDArray[np.float64]
G = 9.80665  # m/s^2, standard gravity (CGPM 1901); the local value is within 0.3 % and in the budget where it matters
MARGIN_RAD = 0.05


def clear(leg: LegDescription, room_rad: float = 0.2) -> FloatArray:
    """Joint angles, rad, as near to hanging as leaves every joint some room to both of its limits.

    A belt turns its neighbour a little when a joint meets its stop, so nothing may stand close to a limit.
    """
    return np.array([np.clip(0.0, j.limits_rad[0] + room_rad, j.limits_rad[1] - room_rad) for j in leg.joints])


def middle(leg: LegDescription, joint: JointDescription, half_arc_rad: float) -> FloatArray:
    """Joint angles, rad, with one joint where an arc to both sides fits, as near to hanging as its limits allow."""
    pose = clear(leg)
    low, high = joint.limits_rad[0] + half_arc_rad + MARGIN_RAD, joint.limits_rad[1] - half_arc_rad - MARGIN_RAD
    pose[leg.joint_names.index(joint.name)] = float(np.clip(0.0, low, high)) if low < high else (low + high) / 2
    return pose


def loaded(leg: LegDescription, joint: JointDescription, share: float = 0.75) -> FloatArray:
    """Joint angles, rad, where a weight on the foot loads one actuator by a share of the most it can.

    Below the most, so that the joint comes to rest by itself when it yields. The other joints hang.
    """
    index = leg.joint_names.index(joint.name)
    angles = np.linspace(joint.limits_rad[0] + 0.15, joint.limits_rad[1] - 0.15, 400)
    poses = np.zeros((len(angles), len(leg.joints)))
    poses[:, index] = angles
    load = np.abs(weight_torques(leg, poses, 1.0)[:, index])
    best = int(np.argmax(load))
    hanging = int(np.argmin(load))
    path = np.arange(hanging, best, 1 if best > hanging else -1)
    enough = [i for i in path if load[i] >= share * load[best]]
    return np.asarray(poses[enough[0] if enough else best], float)


def weight_torques(leg: LegDescription, pose_rad: FloatArray, mass_kg: float) -> FloatArray:
    """Torques, N*m, that the actuators must give to carry a mass at the foot; same leading shape as the pose."""
    force = np.zeros((*pose_rad.shape[:-1], 3))
    force[..., 2] = -mass_kg * G
    return np.asarray(actuator_torques(leg, hold_torques(leg, pose_rad, force)), float)
