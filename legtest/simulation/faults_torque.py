"""Faults of friction, torque, the drive's position loop, and lengths. Each edits the Plant and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from legtest.simulation.fault import Fault, with_axis
from legtest.simulation.plant import Plant
from legtest.simulation.torques import Ripple

CHIPPED_ORDER = 36  # per turn of the output


def _with_torque(plant: Plant, number: int, **changes: Any) -> Plant:
    return with_axis(plant, number, torque=replace(plant.axes[number].torque, **changes))


def _stiction(plant: Plant, number: int, size: float) -> Plant:
    return _with_torque(plant, number, stiction=plant.axes[number].torque.stiction + size)


def _one_sided(plant: Plant, number: int, size: float) -> Plant:
    return _with_torque(plant, number, asymmetry=plant.axes[number].torque.asymmetry + size)


def _gear_loss(plant: Plant, number: int, size: float) -> Plant:
    return _with_torque(plant, number, load_friction=plant.axes[number].torque.load_friction + size)


def _chipped(plant: Plant, number: int, size: float) -> Plant:
    chip = (Ripple(CHIPPED_ORDER, size, 0.3),) if size else ()
    return _with_torque(plant, number, ripple=(*plant.axes[number].torque.ripple, *chip))


def _saturates(plant: Plant, number: int, size: float) -> Plant:
    return _with_torque(plant, number, saturation=plant.axes[number].torque.saturation + size)


def _sense(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, sense_gain=plant.axes[number].sense_gain * (1.0 + size))


def _loop_gain(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, stiffness_Nm_per_rad=plant.axes[number].stiffness_Nm_per_rad * size)


def _loop_damping(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, damping_Nms_per_rad=plant.axes[number].damping_Nms_per_rad * size)


def _link_length(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, shank_m=plant.shank_m + size)


TORQUE = (
    Fault(
        name="stiction",
        title="dry grease",
        what="makes a motor stick at rest: friction there grows by this share of the running one",
        kind="ratio",
        unit="share added",
        default=1.2,
        low=0.0,
        high=1.5,
        joint="hip",
        noticed_by=("breakaway_friction", "stribeck_friction"),
        edit=_stiction,
    ),
    Fault(
        name="one-sided-friction",
        title="a bearing that is pressed to one side",
        what="makes friction larger in the positive direction and smaller in the negative one",
        kind="ratio",
        unit="share of friction",
        default=0.3,
        low=0.0,
        high=0.6,
        joint="hip",
        noticed_by=("friction_asymmetry",),
        edit=_one_sided,
    ),
    Fault(
        name="gear-loss",
        title="a worn gear",
        what="lets friction grow with the load",
        kind="ratio",
        unit="share of the load",
        default=0.06,
        low=0.0,
        high=0.15,
        joint="knee",
        noticed_by=("load_friction",),
        edit=_gear_loss,
    ),
    Fault(
        name="chipped-tooth",
        title="a chipped tooth",
        what=f"adds a torque that comes {CHIPPED_ORDER} times a turn",
        kind="torque",
        unit="amplitude",
        default=0.12,
        low=0.0,
        high=0.5,
        joint="knee",
        noticed_by=("torque_ripple", "ripple_order"),
        edit=_chipped,
    ),
    Fault(
        name="early-saturation",
        title="iron that saturates early",
        what="takes away a share of the torque, growing with torque",
        kind="ratio",
        unit="share at three times the rated torque",
        default=0.45,
        low=0.0,
        high=0.45,
        joint="knee",
        noticed_by=("torque_saturation",),
        edit=_saturates,
    ),
    Fault(
        name="current-sense",
        title="a current sensor out of adjustment",
        what="lets a drive measure more current than flows, and so give less torque than it says",
        kind="ratio",
        unit="error of the gain",
        default=0.08,
        low=-0.2,
        high=0.2,
        joint="hip",
        noticed_by=("torque_constant_ratio",),
        edit=_sense,
    ),
    Fault(
        name="soft-loop",
        title="another gain in the drive",
        what="multiplies the stiffness of a drive's position loop",
        kind="ratio",
        unit="factor",
        default=0.75,
        low=0.5,
        high=1.5,
        joint="knee",
        noticed_by=("rendered_stiffness_ratio", "stiffness_ratio"),
        edit=_loop_gain,
    ),
    Fault(
        name="loop-damping",
        title="another damping in the drive",
        what="multiplies the damping of a drive's position loop",
        kind="ratio",
        unit="factor",
        default=0.6,
        low=0.4,
        high=1.5,
        joint="hip",
        noticed_by=("rendered_damping_ratio",),
        edit=_loop_damping,
    ),
    Fault(
        name="wrong-link",
        title="a link of another length",
        what="mounts a shank that is longer than the drawing's",
        kind="length",
        unit="added length",
        default=0.006,
        low=-0.02,
        high=0.02,
        joint="",
        noticed_by=("shank_error", "kinematic_residual"),
        edit=_link_length,
    ),
)
