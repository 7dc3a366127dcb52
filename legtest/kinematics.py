"""Actuators <-> joints <-> foot, in position and in torque.

Leg frame at the hip: x forward, y left, z up. Joints: abduction about x, hip and knee about y; the leg hangs straight
down at zero. By the right-hand rule a positive hip angle moves the foot backward and a positive abduction moves it
to +y. A planar leg has no abduction: its foot stays in the plane y = hip offset.

Every function takes one row (n,) or many (rows, n) and answers in the same form. SI throughout.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.description.model import LegDescription
from legtest.errors import UsageError
from legtest.units import show

FloatArray = NDArray[np.float64]

_SPATIAL, _PLANAR = ("abduction", "hip", "knee"), ("hip", "knee")
_ROUNDING = 1e-9  # how far beyond the reach a foot point may lie through rounding alone, relative
_OFF_PLANE_M = 1e-6


class UnreachableError(UsageError):
    """No joint angles bring the foot there."""


def foot_of_joints(leg: LegDescription, q: ArrayLike) -> FloatArray:
    """Foot position (3,), m, of joint angles (n,), rad."""
    abduction, hip, knee = _angles(leg, q)
    x, down = _in_plane(leg, hip, knee)
    offset, sin, cos = leg.geometry.hip_offset_m, np.sin(abduction), np.cos(abduction)
    return np.stack([x, offset * cos + down * sin, offset * sin - down * cos], axis=-1)


def joints_of_foot(leg: LegDescription, xyz: ArrayLike) -> FloatArray:
    """Joint angles (n,), rad, in (-pi, pi], that bring the foot to (3,), m; the knee bends to geometry.knee_sign.

    Of the two abductions the one with the leg below the hip is taken. Limits of the joints are not looked at.
    Raises UnreachableError naming the first point out of reach and the reach.
    """
    foot = np.asarray(xyz, dtype=np.float64)
    if foot.shape[-1:] != (3,) or not np.isfinite(foot).all():
        raise UsageError(f"a foot position has three finite coordinates, got an array of shape {foot.shape}")
    x, y, z = foot[..., 0], foot[..., 1], foot[..., 2]
    offset, spatial = leg.geometry.hip_offset_m, len(_joints(leg)) == 3
    if spatial:
        square = y * y + z * z - offset * offset
        clear = f"it must lie at least {_mm(abs(offset))} from the abduction axis"
        _require(square >= -_ROUNDING * offset * offset, foot, clear)
        down = np.sqrt(np.maximum(square, 0.0))
        abduction = _wrapped(np.arctan2(z, y) - np.arctan2(-down, offset))
    else:
        _require(np.abs(y - offset) <= _OFF_PLANE_M, foot, f"this planar leg's foot stays at y = {_mm(offset)}")
        down, abduction = -z, np.zeros_like(z)
    thigh, shank = leg.geometry.thigh_m, leg.geometry.shank_m
    cosine = (x * x + down * down - thigh**2 - shank**2) / (2 * thigh * shank)
    reach = f"the foot reaches {_mm(abs(thigh - shank))} to {_mm(thigh + shank)} from the hip axis"
    _require(np.abs(cosine) <= 1 + _ROUNDING, foot, reach)
    knee = leg.geometry.knee_sign * np.arccos(np.clip(cosine, -1.0, 1.0))
    hip = _wrapped(np.arctan2(-x, down) - np.arctan2(shank * np.sin(knee), thigh + shank * np.cos(knee)))
    return np.stack([abduction, hip, knee] if spatial else [hip, knee], axis=-1)


def jacobian(leg: LegDescription, q: ArrayLike) -> FloatArray:
    """d foot / d joints (3, n), m/rad; rows x y z, columns in joint order."""
    abduction, hip, knee = _angles(leg, q)
    x, down = _in_plane(leg, hip, knee)
    shank_x, shank_down = -leg.geometry.shank_m * np.sin(hip + knee), leg.geometry.shank_m * np.cos(hip + knee)
    sin, cos, zero = np.sin(abduction), np.cos(abduction), np.zeros_like(x)
    offset = leg.geometry.hip_offset_m
    by_hip = [-down, x * sin, -x * cos]
    by_knee = [-shank_down, shank_x * sin, -shank_x * cos]
    columns = [by_hip, by_knee]
    if len(_joints(leg)) == 3:
        columns.insert(0, [zero, -offset * sin + down * cos, offset * cos + down * sin])
    return np.stack([np.stack(np.broadcast_arrays(*column), axis=-1) for column in columns], axis=-1)


def joints_of_actuators(leg: LegDescription, a: ArrayLike) -> FloatArray:
    """Joint angles or speeds of actuator ones: q = coupling a."""
    return _rows(leg, a) @ _coupling(leg).T


def actuators_of_joints(leg: LegDescription, q: ArrayLike) -> FloatArray:
    """Actuator angles or speeds of joint ones: the inverse of `joints_of_actuators`."""
    return _rows(leg, q) @ np.linalg.inv(_coupling(leg)).T


def actuator_torques(leg: LegDescription, tau_q: ArrayLike) -> FloatArray:
    """Actuator torques that act as the joint torques tau_q: coupling transposed, so that power in = power out."""
    return _rows(leg, tau_q) @ _coupling(leg)


def joint_torques(leg: LegDescription, tau_a: ArrayLike) -> FloatArray:
    """Joint torques of actuator torques: the inverse of `actuator_torques`."""
    return _rows(leg, tau_a) @ np.linalg.inv(_coupling(leg))


def hold_torques(leg: LegDescription, q: ArrayLike, force: ArrayLike) -> FloatArray:
    """Joint torques (n,), N*m, with which a massless leg holds against a force (3,), N, on the foot: -J^T F."""
    push = np.asarray(force, dtype=np.float64)
    return -(np.swapaxes(jacobian(leg, q), -1, -2) @ push[..., None])[..., 0]


def _joints(leg: LegDescription) -> tuple[str, ...]:
    if leg.joint_names not in (_SPATIAL, _PLANAR):
        raise UsageError(f"leg {leg.name} has the joints {', '.join(leg.joint_names)}; "
                         f"known are {', '.join(_SPATIAL)} or {', '.join(_PLANAR)}, in this order")  # fmt: skip
    return leg.joint_names


def _rows(leg: LegDescription, values: ArrayLike) -> FloatArray:
    rows = np.asarray(values, dtype=np.float64)
    names = _joints(leg)
    if rows.shape[-1:] != (len(names),):
        raise UsageError(f"leg {leg.name} needs {len(names)} values ({', '.join(names)}), got shape {rows.shape}")
    return rows


def _angles(leg: LegDescription, q: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    angles = _rows(leg, q)
    abduction = angles[..., 0] if angles.shape[-1] == 3 else np.zeros(angles.shape[:-1])
    return abduction, angles[..., -2], angles[..., -1]


def _in_plane(leg: LegDescription, hip: FloatArray, knee: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Foot in the leg's own plane: x forward, and how far it hangs below the hip."""
    thigh, shank = leg.geometry.thigh_m, leg.geometry.shank_m
    return -thigh * np.sin(hip) - shank * np.sin(hip + knee), thigh * np.cos(hip) + shank * np.cos(hip + knee)


def _coupling(leg: LegDescription) -> FloatArray:
    return np.asarray(leg.coupling, dtype=np.float64)


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.pi - np.mod(np.pi - angle, 2 * np.pi)


def _require(reachable: NDArray[np.bool_], foot: FloatArray, why: str) -> None:
    if np.all(reachable):
        return
    x, y, z = foot.reshape(-1, 3)[np.flatnonzero(~np.atleast_1d(reachable).ravel())[0]]
    raise UnreachableError(f"the foot cannot reach x {_mm(x)}, y {_mm(y)}, z {_mm(z)}: {why}")


def _mm(value: float) -> str:
    return show(float(value), "length", 4)
