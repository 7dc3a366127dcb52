"""Stick drawings of the leg: side view and, for a leg that swings sideways, the view from behind.

The page's script draws the same sticks for any instant, by the same formulas, from all samples.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from legtest.description.model import LegDescription

SIZE = 170
_MARGIN = 14
_LARGEST = 1e9  # rad
HEIGHT_OF_REACH = (SIZE - 2 * _MARGIN) / 1.25  # how long the straight leg is drawn
_QUARTER = 0.25  # of the reach, above the hip
_INSTANTS = 240  # of the foot's path
FloatArray = NDArray[np.float64]


def instants(samples: int) -> NDArray[np.int64]:
    """Which samples the foot's path is drawn through: the first, the last and some between."""
    return np.unique(np.linspace(0, samples - 1, min(_INSTANTS, samples)).astype(np.int64))


class Placement(NamedTuple):
    """Drawing units for a metre, and where the leg's origin is drawn (x to the right, y down)."""

    scale: float
    x: float
    y: float


def drawings(leg: LegDescription, actuators: FloatArray) -> list[Markup]:
    """One drawing for each view: the first pose full, the last one dashed, the foot's path dotted.

    actuators: angles (n, axes) at some instants.
    """
    return [_svg(title, points) for title, points in views(leg, actuators).items()]


def views(leg: LegDescription, actuators: FloatArray, at: Placement | None = None) -> dict[str, FloatArray]:
    """Where origin, hip, knee and foot are drawn for actuator angles (n, axes): title -> (n, 4, 2), y down.

    Empty when an angle is missing, or no leg has it.
    """
    if not drawable(actuators):
        return {}
    chain = joint_chain(leg, actuators)
    at = at or placement(leg, actuators)
    found = {"side": _drawn(at, chain[:, :, 0], chain[:, :, 2])}
    if leg.geometry.hip_offset_m or len(leg.joints) > 2:
        found["from behind"] = _drawn(at, -chain[:, :, 1], chain[:, :, 2])  # the leg's left is on the left
    return found


def drawable(actuators: FloatArray) -> bool:
    """Whether there are angles, and a leg can have them all."""
    return len(actuators) > 0 and bool((np.abs(actuators) < _LARGEST).all())


def placement(leg: LegDescription, actuators: FloatArray) -> Placement:
    """Legs go down more than up, so the hip hangs in the upper quarter; in the middle when the leg points upward."""
    reach = abs(leg.geometry.hip_offset_m) + leg.geometry.thigh_m + leg.geometry.shank_m
    highest = float(joint_chain(leg, actuators)[:, :, 2].max()) if drawable(actuators) else 0.0
    if highest > _QUARTER * reach:
        return Placement((SIZE / 2 - _MARGIN) / reach, SIZE / 2, SIZE / 2)
    scale = HEIGHT_OF_REACH / reach
    return Placement(scale, SIZE / 2, _MARGIN + _QUARTER * reach * scale)


def joint_chain(leg: LegDescription, actuators: FloatArray) -> FloatArray:
    """Actuator angles (n, axes) to origin, hip, knee and foot in the leg frame, (n, 4, 3) metres."""
    from legtest.kinematics import foot_of_joints, joints_of_actuators

    angles = joints_of_actuators(leg, actuators)
    # With a shank of no length the foot is the knee, and with no thigh either it is the hip.
    knee = replace(leg, geometry=replace(leg.geometry, shank_m=0.0))
    hip = replace(leg, geometry=replace(leg.geometry, shank_m=0.0, thigh_m=0.0))
    ends = [foot_of_joints(each, angles) for each in (hip, knee, leg)]
    return np.stack([np.zeros_like(ends[0]), *ends], axis=1)


def _svg(title: str, points: FloatArray) -> Markup:
    last = _polyline(points[-1], "stick last")
    path = _polyline(points[:, 3], "footpath")
    first = _polyline(points[0], "stick now", digits=4)
    return Markup(
        f'<svg class="pose" viewBox="0 0 {SIZE} {SIZE + 14}" role="img" aria-label="leg, {title} view: first pose '
        f'full, last pose dashed, path of the foot dotted"><path class="rail" d="M{SIZE / 2} 2V{SIZE}"/>{path}{last}'
        f'{first}<circle class="hip" cx="{points[0][0][0]:.1f}" cy="{points[0][0][1]:.1f}" r="4"/>'
        f'<text x="{SIZE / 2}" y="{SIZE + 10}" text-anchor="middle">{title}</text></svg>'
    )


def _polyline(points: FloatArray, look: str, digits: int = 1) -> str:
    text = " ".join(f"{x:.{digits}f},{y:.{digits}f}" for x, y in points.tolist())
    return f'<polyline class="{look}" points="{text}"/>'


def _drawn(at: Placement, right: FloatArray, up: FloatArray) -> FloatArray:
    return np.stack([at.x + right * at.scale, at.y - up * at.scale], axis=-1)


def filled(column: FloatArray) -> FloatArray:
    """The column with gaps filled by the last value before them (by the first value at the start)."""
    present = np.flatnonzero(~np.isnan(column))
    if not len(present):
        return column
    before = np.searchsorted(present, np.arange(len(column)), side="right") - 1
    return column[present[np.maximum(before, 0)]]
