"""Stick drawings of the leg: side view and, for a leg that swings sideways, the view from behind."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from legtest.description.model import LegDescription
from legtest.records.trace import Trace

SIZE = 170
_MARGIN = 14
_LARGEST = 1e9  # rad
HEIGHT_OF_REACH = (SIZE - 2 * _MARGIN) / 1.25  # how long the straight leg is drawn


@dataclass(frozen=True, slots=True)
class Poses:
    """The leg at some samples, in drawing units. views: title -> (instants, points, 2)."""

    views: dict[str, NDArray[np.float64]]


def poses(leg: LegDescription | None, trace: Trace, at: NDArray[np.int64]) -> Poses | None:
    """Where the leg's hip, knee and foot are drawn at samples `at` (indices); None when the trace does not say."""
    if leg is None or not len(at):
        return None
    names = [f"{joint}.position" for joint in leg.joint_names]
    if any(name not in trace.columns for name in names):
        return None
    actuators = np.stack([_filled(trace.columns[name]) for name in names], axis=1)[at]
    if not (np.abs(actuators) < _LARGEST).all():  # a gap without a value beside it, or a damaged file's number
        return None
    chain = joint_chain(leg, actuators)
    reach = abs(leg.geometry.hip_offset_m) + leg.geometry.thigh_m + leg.geometry.shank_m
    views = {"side": _drawn(chain[:, :, 0], chain[:, :, 2], reach)}
    if leg.geometry.hip_offset_m or len(names) > 2:
        views["from behind"] = _drawn(-chain[:, :, 1], chain[:, :, 2], reach)  # the leg's left is on the left
    return Poses(views)


def joint_chain(leg: LegDescription, actuators: NDArray[np.float64]) -> NDArray[np.float64]:
    """Actuator angles (n, axes) to origin, hip, knee and foot in the leg frame, (n, 4, 3) metres."""
    from legtest.kinematics import foot_of_joints, joints_of_actuators

    angles = joints_of_actuators(leg, actuators)
    # With a shank of no length the foot is the knee, and with no thigh either it is the hip.
    knee = replace(leg, geometry=replace(leg.geometry, shank_m=0.0))
    hip = replace(leg, geometry=replace(leg.geometry, shank_m=0.0, thigh_m=0.0))
    ends = [foot_of_joints(each, angles) for each in (hip, knee, leg)]
    return np.stack([np.zeros_like(ends[0]), *ends], axis=1)


def svg(title: str, points: NDArray[np.float64]) -> Markup:
    """One view: the first pose full, the last one dashed. points: (instants, points, 2)."""
    last = _polyline(points[-1], "stick last")
    first = _polyline(points[0], "stick now")
    return Markup(
        f'<svg class="pose" viewBox="0 0 {SIZE} {SIZE + 14}" role="img" aria-label="leg, {title} view: first pose '
        f'full, last pose dashed"><line class="rail" x1="{SIZE / 2}" x2="{SIZE / 2}" y1="2" y2="{SIZE}"/>{last}{first}'
        f'<circle class="hip" cx="{points[0][0][0]:.1f}" cy="{points[0][0][1]:.1f}" r="4"/>'
        f'<text x="{SIZE / 2}" y="{SIZE + 10}" text-anchor="middle">{title}</text></svg>'
    )


def _polyline(points: NDArray[np.float64], look: str) -> str:
    text = " ".join(f"{x:.2f},{y:.2f}" for x, y in points.tolist())
    return f'<polyline class="{look}" points="{text}"/>'


def _drawn(right: NDArray[np.float64], up: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    # The hip hangs in the upper quarter: legs go down more than up.
    scale = HEIGHT_OF_REACH / reach
    return np.stack([SIZE / 2 + right * scale, _MARGIN + 0.25 * reach * scale - up * scale], axis=-1)


def _filled(column: NDArray[np.float64]) -> NDArray[np.float64]:
    """The column with gaps filled by the last value before them (by the first value at the start)."""
    present = np.flatnonzero(~np.isnan(column))
    if not len(present):
        return column
    before = np.searchsorted(present, np.arange(len(column)), side="right") - 1
    return column[present[np.maximum(before, 0)]]
