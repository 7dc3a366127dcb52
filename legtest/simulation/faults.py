"""Physical faults: what can be put into the simulated leg. Each edits the Plant and nothing else.

No fault tells a test to fail: the description, and with it all that the host believes, stays as it was.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import replace
from typing import NamedTuple

from legtest.errors import UsageError
from legtest.simulation.fault import Fault, with_axis
from legtest.simulation.faults_dynamics import DYNAMICS
from legtest.simulation.faults_electric import ELECTRIC
from legtest.simulation.faults_torque import TORQUE
from legtest.simulation.plant import Plant
from legtest.units import UnitError, clip, parse


class FaultCase(NamedTuple):
    """A fault with its place ("" for a fault of no joint) and its size (SI)."""

    name: str
    joint: str
    size: float

    def __str__(self) -> str:
        place = f"@{self.joint}" if self.joint else ""
        return f"{self.name}{place}={FAULTS[self.name].size_text(self.size)}"


def parse_fault(text: str) -> FaultCase:
    """A fault written as NAME[@JOINT][=SIZE], the size with its unit: "backlash@knee=3 deg".

    Raises UsageError for an unknown name, a joint where there is none to choose, a size without its unit or outside
    the range.
    """
    place, equals, size = (part.strip() for part in text.partition("="))
    name, at, joint = (part.strip() for part in place.partition("@"))
    text = clip(text)
    fault = FAULTS.get(name)
    if fault is None:
        near = difflib.get_close_matches(clip(name), FAULTS, 1)
        hint = f"did you mean '{near[0]}'? " if near else ""
        raise UsageError(f"fault '{clip(name)}' is not known: {hint}the faults are {', '.join(FAULTS)}")
    if at and not fault.joint:
        raise UsageError(f"fault '{text}': {name} is not at a joint; write {name} without '@{joint}'")
    if at and not joint:
        raise UsageError(f"fault '{text}': no joint after '@'; write {name}@{fault.joint}")
    return FaultCase(name, joint or fault.joint, _size(fault, size, text) if equals else fault.default)


def _size(fault: Fault, size: str, text: str) -> float:
    usual = f"{fault.name}={fault.size_text(fault.default)}"
    try:
        value = parse(size, fault.kind)
    except UnitError as error:
        raise UsageError(f"fault '{text}': {error}; the size is the {fault.unit}, for example {usual}") from None
    slack = 1e-9 * (fault.high - fault.low)
    if not fault.low - slack <= value <= fault.high + slack:
        low, high = fault.size_text(fault.low), fault.size_text(fault.high)
        raise UsageError(f"fault '{text}': the {fault.unit} must lie in {low} to {high}, for example {usual}")
    return value


def apply(plant: Plant, case: FaultCase) -> Plant:
    """The plant with the fault in it. Raises UsageError where the leg has no such joint."""
    if case.joint and case.joint not in plant.joints:
        joints = ", ".join(plant.joints)
        raise UsageError(f"fault '{case}': the leg has no joint '{case.joint}'; its joints are {joints}")
    number = plant.joints.index(case.joint) if case.joint else -1
    return FAULTS[case.name].edit(plant, number, case.size)


def _backlash(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, backlash_rad=plant.axes[number].backlash_rad + size)


def _friction(plant: Plant, number: int, size: float) -> Plant:
    axis = plant.axes[number]
    viscous = axis.viscous_Nms_per_rad * size
    return with_axis(plant, number, friction_Nm=axis.friction_Nm * size, viscous_Nms_per_rad=viscous)


def _gear_ratio(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, gear_scale=plant.axes[number].gear_scale * size)


def _torque_constant(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, torque_constant=plant.axes[number].torque_constant * (1.0 + size))


def _lost_counts(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, lost_counts_per_s=plant.axes[number].lost_counts_per_s + size / 0.5)


def _loose_end_stop(plant: Plant, number: int, size: float) -> Plant:
    stops = list(plant.stops)
    stops[number] = replace(stops[number], loose_rad=size)
    return replace(plant, stops=tuple(stops))


def _dropped_frames(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, frame_loss=size)


def _dragging_carriage(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, stand=replace(plant.stand, rail_friction_N=size))


_ALL = (
    Fault(
        name="backlash",
        title="play in a belt or gear",
        what="widens the dead band between the motor and its joint",
        kind="angle",
        unit="dead band added",
        default=math.radians(3.0),
        low=0.0,
        high=math.radians(3.4),
        joint="knee",
        noticed_by=("travel_error", "backlash"),
        edit=_backlash,
    ),
    Fault(
        name="friction",
        title="a stiff joint",
        what="multiplies the Coulomb and the viscous friction of a motor",
        kind="ratio",
        unit="factor",
        default=2.0,
        low=1.0,
        high=2.0,
        joint="hip",
        noticed_by=("coulomb_friction", "reversal_value", "breakaway_friction"),
        edit=_friction,
    ),
    Fault(
        name="gear-ratio",
        title="a wrong gear",
        what="mounts a gear that turns the motor further for one turn of the joint (9 for 8)",
        kind="ratio",
        unit="ratio of the mounted gear to the right one",
        default=1.125,
        low=0.8,
        high=1.25,
        joint="knee",
        noticed_by=("travel_error",),
        edit=_gear_ratio,
    ),
    Fault(
        name="torque-constant",
        title="a weak magnet",
        what="changes the torque a motor gives for the same current",
        kind="ratio",
        unit="change of the torque constant",
        default=-0.15,
        low=-0.5,
        high=0.0,
        joint="knee",
        noticed_by=("holding_torque_ratio", "yield_ratio"),
        edit=_torque_constant,
    ),
    Fault(
        name="lost-counts",
        title="a failing encoder",
        what="lets an encoder lose counts while it turns",
        kind="ratio",
        unit="counts lost in 0.5 s of turning",
        default=20.0,
        low=0.0,
        high=80.0,  # more would turn the rotor fast enough to keep itself going
        joint="knee",
        noticed_by=("homing_repeatability", "home_shift"),
        edit=_lost_counts,
    ),
    Fault(
        name="loose-end-stop",
        title="a loose end stop",
        what="lets both end stops of a joint seat anywhere in a range",
        kind="angle",
        unit="half width of the range",
        default=0.015,
        low=0.0,
        high=math.radians(3.0),
        joint="hip",
        noticed_by=("homing_repeatability",),
        edit=_loose_end_stop,
    ),
    Fault(
        name="dropped-frames",
        title="a bad adapter or cable",
        what="drops a share of the host's frames, each way",
        kind="ratio",
        unit="share dropped",
        default=0.01,
        low=0.0,
        high=0.05,
        joint="",
        noticed_by=("telemetry_loss",),
        edit=_dropped_frames,
    ),
    Fault(
        name="dragging-carriage",
        title="a dragging carriage",
        what="makes the carriage rub on its rail",
        kind="force",
        unit="friction force",
        default=15.0,
        low=0.0,
        high=40.0,
        joint="",
        noticed_by=("carriage_drag",),
        edit=_dragging_carriage,
    ),
)
FAULTS: dict[str, Fault] = {fault.name: fault for fault in (*_ALL, *ELECTRIC, *TORQUE, *DYNAMICS)}
