"""Faults of loops, links, couplings and the stand. Each edits the Plant and nothing else."""

from __future__ import annotations

from dataclasses import replace

from legtest.simulation.fault import Fault, with_axis
from legtest.simulation.plant import Link, Plant


def _gains(plant: Plant, number: int, size: float) -> Plant:
    axis = plant.axes[number]
    return with_axis(
        plant, number, stiffness_Nm_per_rad=axis.stiffness_Nm_per_rad * size,
        damping_Nms_per_rad=axis.damping_Nms_per_rad * size,
    )  # fmt: skip


def _old(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, reading_age_s=plant.axes[number].reading_age_s + size)


def _heavy(plant: Plant, _: int, size: float) -> Plant:
    """Spread along the link, so that its centre stays."""
    shank = plant.links[-1]
    mass = shank.mass_kg + size
    grown = tuple(i * mass / shank.mass_kg for i in shank.inertia_kgm2)
    return replace(plant, links=(*plant.links[:-1], Link(mass, shank.centre_m, (grown[0], grown[1], grown[2]))))


def _loose_stand(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, stand=replace(plant.stand, stiffness_N_per_m=plant.stand.stiffness_N_per_m * size))


DYNAMICS = (
    Fault(
        name="wrong-gains",
        title="gains of another drive",
        what="multiplies stiffness and damping of a drive's position loop, as after a lost configuration",
        kind="ratio",
        unit="factor",
        default=0.5,
        low=0.3,
        high=1.5,
        joint="hip",
        noticed_by=("stiffness_ratio", "bandwidth", "phase_lag"),
        edit=_gains,
    ),
    Fault(
        name="old-readings",
        title="a slow encoder",
        what="lets a drive report where its joint was a while ago",
        kind="time",
        unit="age added",
        default=2e-3,
        low=0.0,
        high=4e-3,
        joint="hip",
        noticed_by=("phase_lag",),
        edit=_old,
    ),
    Fault(
        name="heavy-shank",
        title="water in the shank",
        what="adds mass to the shank, spread along it",
        kind="mass",
        unit="mass added",
        default=0.3,
        low=0.0,
        high=0.5,
        joint="",
        noticed_by=("gravity_moment",),
        edit=_heavy,
    ),
    Fault(
        name="loose-stand",
        title="a loose bolt of the stand",
        what="multiplies the stiffness of the stand",
        kind="ratio",
        unit="factor",
        default=0.5,
        low=0.3,
        high=1.0,
        joint="",
        noticed_by=("stand_stiffness", "stand_frequency"),
        edit=_loose_stand,
    ),
)
