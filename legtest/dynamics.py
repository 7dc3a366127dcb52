"""Torques of a leg's motion, linear in the inertial parameters of its links (Newton-Euler recursion).

Ten parameters of each link, in its own frame (origin on its joint, parallel to the leg frame at zero): mass m; first
moments mx my mz = mass times centre; inertias Ixx Iyy Izz Ixy Ixz Iyz about the origin. Not all of them act on the
joints: `independent` finds those that do. Atkeson, An, Hollerbach, Int. J. Robotics Research 5 (1986) 101.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.description.model import LegDescription

FloatArray = NDArray[np.float64]

PARAMETERS = ("m", "mx", "my", "mz", "Ixx", "Iyy", "Izz", "Ixy", "Ixz", "Iyz")
G = 9.80665  # m/s^2, standard gravity (CGPM 1901)
_AXES = {"abduction": (1.0, 0.0, 0.0), "hip": (0.0, 1.0, 0.0), "knee": (0.0, 1.0, 0.0)}


def names(leg: LegDescription) -> tuple[str, ...]:
    """Names of the columns of `regressor`: "knee.mz" is the first moment of the link behind the knee."""
    return tuple(f"{joint}.{parameter}" for joint in leg.joint_names for parameter in PARAMETERS)


def regressor(leg: LegDescription, q: ArrayLike, qd: ArrayLike, qdd: ArrayLike, gravity: float = G) -> FloatArray:
    """Y (rows, joints, 10 joints) with joint torques = Y parameters, for angles, speeds, accelerations (rows, joints).

    gravity: m/s^2, downwards. Only the leg's own links; rotors and friction are not in it.
    """
    angle, speed, acceleration = (np.atleast_2d(np.asarray(x, dtype=np.float64)) for x in (q, qd, qdd))
    rows, count = angle.shape
    g = leg.geometry
    origins = {"abduction": (0.0, 0.0, 0.0), "hip": (0.0, g.hip_offset_m, 0.0), "knee": (0.0, 0.0, -g.thigh_m)}
    w, dw = np.zeros((rows, 3)), np.zeros((rows, 3))
    a = np.tile([0.0, 0.0, gravity], (rows, 1))  # a base that accelerates upwards is what weight feels like
    Y = np.zeros((rows, count, 10 * count))
    chain: list[tuple[FloatArray, FloatArray, FloatArray]] = []  # rotation to the parent, origin in it, axis
    for i, name in enumerate(leg.joint_names):
        axis, origin = np.array(_AXES[name]), np.array(origins[name])
        R = _rotation(axis, angle[:, i])
        a = a + np.cross(dw, origin) + np.cross(w, np.cross(w, origin))
        w, dw, a = (np.einsum("rji,rj->ri", R, x) for x in (w, dw, a))
        spin = axis * speed[:, i, None]
        dw = dw + axis * acceleration[:, i, None] + np.cross(w, spin)
        w = w + spin
        chain.append((R, origin, axis))
        force, moment = _body(w, dw, a)
        for j in range(i, -1, -1):
            R_j, origin_j, axis_j = chain[j]
            Y[:, j, 10 * i : 10 * i + 10] = np.einsum("k,rkp->rp", axis_j, moment)
            force, moment = (np.einsum("rij,rjp->rip", R_j, x) for x in (force, moment))
            moment = moment + np.einsum("ij,rjp->rip", _cross(origin_j), force)
    return Y


def independent(design: FloatArray, tolerance: float = 1e-8) -> list[int]:
    """Columns of a design (n, p), from the left, none of which is a sum of those before it."""
    kept: list[int] = []
    basis: list[FloatArray] = []
    largest = float(np.linalg.norm(design, axis=0).max())
    for index in range(design.shape[1]):
        column = design[:, index].copy()
        for _ in range(2):  # once more against rounding
            for b in basis:
                column -= (b @ column) * b
        size = float(np.linalg.norm(column))
        if size > tolerance * largest:
            kept.append(index)
            basis.append(column / size)
    return kept


def _body(w: FloatArray, dw: FloatArray, a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Force and moment about the origin, each (rows, 3, 10), that move a free link with these parameters."""
    W, D, A = _cross(w), _cross(dw), _cross(a)
    force, moment = np.zeros((len(w), 3, 10)), np.zeros((len(w), 3, 10))
    force[:, :, 0] = a
    force[:, :, 1:4] = D + W @ W
    moment[:, :, 1:4] = -A
    moment[:, :, 4:] = _inertia(dw) + W @ _inertia(w)
    return force, moment


def _inertia(v: FloatArray) -> FloatArray:
    """(rows, 3, 6) with I v = that times (Ixx, Iyy, Izz, Ixy, Ixz, Iyz)."""
    x, y, z, o = v[:, 0], v[:, 1], v[:, 2], np.zeros(len(v))
    rows = [[x, o, o, y, z, o], [o, y, o, x, o, z], [o, o, z, o, x, y]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=1)


def _cross(v: FloatArray) -> FloatArray:
    """Matrix of a cross product, (..., 3, 3)."""
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    o = np.zeros_like(x)
    rows = [[o, -z, y], [z, o, -x], [-y, x, o]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _rotation(axis: FloatArray, angle: FloatArray) -> FloatArray:
    """(rows, 3, 3): from the turned frame to the one it turns in (Rodrigues)."""
    K = _cross(axis)
    return np.eye(3) + np.sin(angle)[:, None, None] * K + (1 - np.cos(angle))[:, None, None] * (K @ K)
