"""Passes of one joint at constant speed, the others held: rows to follow, and what was read along them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.description.model import JointDescription
from legtest.procedures.posture import MARGIN_RAD
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]
RUN_UP_S = 0.15
SPIKE = 6.0  # robust standard deviations


def constant_speed(start_rad: float, end_rad: float, speed_rad_s: float, period_s: float) -> FloatArray:
    """(rows,), rad: from start to end, begun and ended evenly within RUN_UP_S, at constant speed between."""
    span = end_rad - start_rad
    total_s = abs(span) / speed_rad_s + RUN_UP_S
    t = np.arange(0.0, total_s + period_s, period_s)
    rate = np.clip(np.minimum(t, t[-1] - t) / RUN_UP_S, 0.0, 1.0)
    way = np.cumsum(rate)
    return np.asarray(start_rad + span * (way - way[0]) / (way[-1] - way[0]), float)


def of_joint(pose_rad: FloatArray, index: int, angles_rad: ArrayLike) -> FloatArray:
    """Rows (n, joints) of a pose with one joint at these angles (n,)."""
    angles = np.asarray(angles_rad, float)
    rows = np.tile(pose_rad, (len(angles), 1))
    rows[:, index] = angles
    return rows


def widest(joint: JointDescription, margin_rad: float = MARGIN_RAD) -> tuple[float, float]:
    """The widest arc of a joint inside its limits with a margin."""
    return joint.limits_rad[0] + margin_rad, joint.limits_rad[1] - margin_rad


def signals(recorded: Recorded, trace: Trace, *names: str) -> tuple[FloatArray, FloatArray]:
    """Angle of the joint under test (n,) and these signals of its actuator (n, names), rows with all of them."""
    angle = recorded.joints(trace)[:, recorded.joint_index()]
    columns = np.stack([trace.column(f"{recorded.joint.name}.{name}") for name in names], axis=1)
    good = np.isfinite(angle) & np.isfinite(columns).all(axis=1)
    return angle[good], columns[good]


def binned(angle_rad: FloatArray, values: FloatArray, edges_rad: FloatArray) -> FloatArray:
    """Mean of values (n,) in each of the bins between edges (bins + 1,) without spikes; NaN in an empty one.

    Where a SYNC comes late, one sample of the torque may jump. A median would keep the steps of the reading.
    """
    place = np.searchsorted(edges_rad, angle_rad, side="right") - 1
    return np.array([_mean(values[place == b]) for b in range(len(edges_rad) - 1)])


def _mean(values: FloatArray) -> float:
    if not len(values):
        return float("nan")
    away = np.abs(values - np.median(values))
    return float(np.mean(values[away <= max(SPIKE * 1.4826 * float(np.median(away)), 1e-12)]))


def warmth(recorded: Recorded) -> dict[str, float]:
    """The mean winding temperature of the joint under test as a covariate, where the drive tells it."""
    column = recorded.whole.columns.get(f"{recorded.joint.name}.temperature")
    if column is None or not np.isfinite(column).any():
        return {}
    return {"winding_temperature_C": float(np.nanmean(column))}
