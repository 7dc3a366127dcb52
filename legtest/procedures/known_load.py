"""A known mass on the foot as the outside reference of a joint's torque: levels, and how well they are known.

The load is the difference with the mass and without it at the same joint angle, so the leg's own weight drops out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription, LegDescription
from legtest.metrology.measurement import BudgetLine
from legtest.procedures.posture import weight_torques
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

LOAD_SHARE = 0.9  # of the most that the mass can load the joint with: beyond it, the lever hardly changes
ROOM_RAD = 0.10
LENGTH_U_M = 0.3e-3  # standard uncertainty of a link length of the drawing
# Of a joint angle in space: home stop by the drawing (0.1 deg) and its seat (0.1 deg), stand out of plumb (0.1 deg),
# and where in its play the joint stood when it was homed.
ANGLE_U_RAD = 4e-3
# Half of the play (0.05 to 0.2 deg) and wind-up (500 to 1500 N*m/rad) of a small gear or belt, and by which share
# either may be wrong; common practice, no source.
PLAY_RAD, WIND_RAD_PER_NM, WOUND_U = 1.1e-3, 1.25e-3, 0.4
G_U = 1.5e-3  # relative: local gravity against the standard value


def span(leg: LegDescription, joint: JointDescription) -> tuple[float, float]:
    """The arc around hanging over which a weight on the foot loads a joint, to LOAD_SHARE of the most on each side."""
    index = leg.joint_names.index(joint.name)
    angles = np.linspace(joint.limits_rad[0] + ROOM_RAD, joint.limits_rad[1] - ROOM_RAD, 801)
    poses = np.zeros((len(angles), len(leg.joints)))
    poses[:, index] = angles
    load = weight_torques(leg, poses, 1.0)[:, index]
    middle = int(np.argmin(np.abs(load)))
    enough = np.flatnonzero(np.abs(load) > LOAD_SHARE * np.abs(load).max())
    low = max((i for i in enough if i <= middle), default=0)
    high = min((i for i in enough if i >= middle), default=len(angles) - 1)
    return float(angles[low]), float(angles[high])


def arguments(bench: Bench) -> dict[str, Any]:
    """What `evaluate` must know of the mass."""
    return {"mass_kg": bench.description.known_mass_kg or 0.0, "mass_u_kg": bench.description.known_mass_u_kg}


def loads(recorded: Recorded, poses_rad: FloatArray, *, wound: float = 1.0) -> FloatArray:
    """Torque of the joint's actuator, N*m, that carries the known mass in each of these poses (n, joints).

    The poses are those of the motors; the joints hang behind by play and wind-up (wound = 0: as if they did not).
    """
    leg, mass, coupling = recorded.leg, recorded.arguments["mass_kg"], np.asarray(recorded.leg.coupling)
    torques = weight_torques(leg, poses_rad, mass)
    behind = wound * (PLAY_RAD * np.sign(torques) + WIND_RAD_PER_NM * torques)
    index = recorded.joint_index()
    return np.asarray(weight_torques(leg, poses_rad - behind @ coupling.T, mass)[:, index], float)


def relative_lines(recorded: Recorded) -> tuple[BudgetLine, ...]:
    """What the whole scale of the loads is uncertain by, relative: mass, lengths, gravity."""
    length = recorded.leg.geometry.thigh_m + recorded.leg.geometry.shank_m
    return (
        BudgetLine("known mass", recorded.arguments["mass_u_kg"] / recorded.arguments["mass_kg"], systematic=True),
        BudgetLine("link lengths", float(LENGTH_U_M / length * np.sqrt(2)), systematic=True),
        BudgetLine("local gravity", G_U, systematic=True),
    )
