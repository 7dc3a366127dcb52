"""Faults of drives, encoders, windings and supply. Each edits the Plant and nothing else."""

from __future__ import annotations

from dataclasses import replace

from legtest.simulation.fault import Fault, with_axis, with_drive
from legtest.simulation.plant import Plant


def _firmware(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, revision_step=round(size))


def _crossed(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, neighbour_share=size)


def _reversed(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, torque_sign=round(size))


def _stuck(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, stuck_bits=round(size))


def _noisy(plant: Plant, number: int, size: float) -> Plant:
    return with_axis(plant, number, noise_counts=plant.axes[number].noise_counts * size)


def _forgets(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, turns_known=round(size))


def _slow(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, reply_s=plant.axes[number].drive.reply_s + size)


def _watchdog(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, watchdog=plant.axes[number].drive.watchdog * size)


def _weak(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, supply=replace(plant.supply, source_ohm=plant.supply.source_ohm + size))


def _no_capacitors(plant: Plant, _: int, size: float) -> Plant:
    return replace(plant, supply=replace(plant.supply, capacitance_F=plant.supply.capacitance_F * size))


def _heat(plant: Plant, number: int, size: float) -> Plant:
    axis = plant.axes[number]
    return with_axis(plant, number, heating_K_per_Nm2=axis.heating_K_per_Nm2 * size, heating_s=axis.heating_s * size)


def _cold(plant: Plant, number: int, size: float) -> Plant:
    return with_drive(plant, number, stiff_cold=size)


ELECTRIC = (
    Fault(
        name="wrong-firmware",
        title="another firmware",
        what="runs a drive with another revision than the leg file says",
        kind="ratio",
        unit="steps of the revision number",
        default=1.0,
        low=1.0,
        high=1000.0,
        joint="hip",
        noticed_by=("identity_mismatches",),
        edit=_firmware,
        halves=False,
    ),
    Fault(
        name="crossed-sensor",
        title="a sensor that sees its neighbour",
        what="lets an encoder also count a share of the motion of the axis before it",
        kind="ratio",
        unit="share",
        default=0.5,
        low=0.0,
        high=0.7,
        joint="knee",
        noticed_by=("stray_motion",),
        edit=_crossed,
    ),
    Fault(
        name="reversed-torque",
        title="a torque reading of the wrong sign",
        what="reverses a drive's torque reading against its encoder",
        kind="ratio",
        unit="-1 = reversed",
        default=-1.0,
        low=-1.0,
        high=-1.0,
        joint="hip",
        noticed_by=("motion_torque",),
        edit=_reversed,
        halves=False,
    ),
    Fault(
        name="stuck-bits",
        title="bits that stick",
        what="keeps the lowest bits of an encoder at zero",
        kind="ratio",
        unit="number of bits",
        default=4.0,
        low=1.0,
        high=6.0,
        joint="knee",
        noticed_by=("stuck_bits",),
        edit=_stuck,
        halves=False,
    ),
    Fault(
        name="noisy-encoder",
        title="a noisy encoder",
        what="multiplies the noise of an encoder",
        kind="ratio",
        unit="factor",
        default=5.0,
        low=1.0,
        high=10.0,
        joint="knee",
        noticed_by=("position_noise",),
        edit=_noisy,
    ),
    Fault(
        name="one-turn-encoder",
        title="an encoder that forgets turns",
        what="lets an encoder know its place within one turn of the motor only after power-up",
        kind="ratio",
        unit="motor turns for one turn of the output",
        default=8.0,
        low=2.0,
        high=20.0,
        joint="hip",
        noticed_by=("offset_change",),
        edit=_forgets,
        halves=False,
    ),
    Fault(
        name="slow-replies",
        title="a drive that answers late",
        what="delays all answers of a drive",
        kind="time",
        unit="delay added",
        default=0.0005,
        low=0.0,
        high=0.0015,
        joint="knee",
        noticed_by=("reply_time", "reply_time_p99"),
        edit=_slow,
    ),
    Fault(
        name="slow-watchdog",
        title="a drive that is slow to miss its host",
        what="slows the timer that watches the host's heartbeat",
        kind="ratio",
        unit="factor",
        default=1.15,
        low=1.0,
        high=1.2,
        joint="hip",
        noticed_by=("loss_reaction_time",),
        edit=_watchdog,
    ),
    Fault(
        name="weak-supply",
        title="a weak supply",
        what="adds resistance between supply and drives",
        kind="resistance",
        unit="resistance added",
        default=0.5,
        low=0.0,
        high=1.0,
        joint="",
        noticed_by=("source_resistance",),
        edit=_weak,
    ),
    Fault(
        name="no-capacitors",
        title="a supply that has nowhere to put braking energy",
        what="takes away capacitors on the motor supply",
        kind="ratio",
        unit="share that is left",
        default=0.1,
        low=0.05,
        high=1.0,
        joint="",
        noticed_by=("supply_rise",),
        edit=_no_capacitors,
    ),
    Fault(
        name="bad-heat-path",
        title="a winding that does not get rid of its heat",
        what="multiplies the thermal resistance from winding to housing",
        kind="ratio",
        unit="factor",
        default=1.6,
        low=1.0,
        high=3.0,
        joint="hip",
        noticed_by=("winding_rise",),
        edit=_heat,
    ),
    Fault(
        name="stiff-when-cold",
        title="stiff grease",
        what="adds friction that goes away as the joint is moved",
        kind="ratio",
        unit="share of the friction added",
        default=0.3,
        low=0.0,
        high=1.0,
        joint="hip",
        noticed_by=("warm_up_change",),
        edit=_cold,
    ),
)
