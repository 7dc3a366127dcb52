"""What the electrical side of a simulated leg is like: drives, encoders, windings, and the one supply of the motors.

Faults edit it as they edit the rest of the plant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from legtest.description.model import BenchDescription, JointDescription, LegDescription
from legtest.simulation.tolerances import Parts, value

# Drawn uniformly inside these, for each part.
REPLY_s = (20e-6, 60e-6)
REPLY_JITTER_s = 10e-6
WATCHDOG = 0.02
SOURCE_ohm = (0.04, 0.12)
HEAT = 0.10
VOLTAGE_READING = 0.005


@dataclass(frozen=True, slots=True)
class DrivePlant:
    """One drive's electronics, encoder and winding.

    reply_s: from a request or SYNC to the answer, and up to reply_jitter_s more. watchdog: true over stated time until
    a silent host is noticed. revision_step: how far the firmware's revision number is from the leg file's.
    torque_sign: -1 where the torque reading counts against the encoder. neighbour_share: how much of the motion of the
    axis before it the encoder sees as well. stuck_bits: lowest bits of the encoder that never change.
    turns_known: 0 = the encoder knows its place after power-up; n = within 1/n of an output turn only.
    voltage_gain, voltage_noise_V: of the drive's reading of its supply.
    case: of the housing above ambient for steady torque, and its time constant; the winding's own are above the case.
    stiff_cold: share of friction that goes away as the joint is moved, over worn_in_rad of motion.
    """

    reply_s: float
    reply_jitter_s: float
    watchdog: float
    revision_step: int
    torque_sign: int
    neighbour_share: float
    stuck_bits: int
    turns_known: int
    voltage_gain: float
    voltage_noise_V: float
    case_K_per_Nm2: float
    case_s: float
    stiff_cold: float
    worn_in_rad: float


@dataclass(frozen=True, slots=True)
class SupplyPlant:
    """The one supply of all motors. It gives current and takes none back.

    capacitance_F: of all drives together, which takes what braking gives back; clamp_V: where a braking resistor holds
    it (inf: there is none). idle_W: what the power stages draw at rest. discharge_s: how fast the voltage falls once
    the supply is switched off.
    """

    source_ohm: float
    capacitance_F: float
    clamp_V: float
    idle_W: float
    discharge_s: float


def drive_of(joint: JointDescription, parts: Parts) -> DrivePlant:
    """A sound drive with its part tolerances."""
    name, rated = joint.name, joint.drive.rated_torque_Nm
    return DrivePlant(
        reply_s=parts.uniform(f"{name} reply", *REPLY_s),
        reply_jitter_s=REPLY_JITTER_s,
        watchdog=parts.near(f"{name} watchdog", 1.0, WATCHDOG),
        revision_step=0,
        torque_sign=1,
        neighbour_share=0.0,
        stuck_bits=0,
        turns_known=0,
        voltage_gain=parts.near(f"{name} voltage", 1.0, VOLTAGE_READING),
        voltage_noise_V=0.02,
        case_K_per_Nm2=parts.near(f"{name} case heat", 25.0, HEAT) / rated**2,  # 25 K of the housing at rated torque
        case_s=parts.near(f"{name} case time", 900.0, HEAT),
        stiff_cold=0.0,
        worn_in_rad=30.0,
    )


def supply_of(leg: LegDescription, bench: BenchDescription, parts: Parts) -> SupplyPlant:
    """A sound supply; capacitors and braking resistor as the bench file has them, if it does."""
    braking = bench.protection.braking if bench.protection else None
    return SupplyPlant(
        source_ohm=value(leg.simulation, "source_ohm", parts.uniform("source", *SOURCE_ohm)),
        capacitance_F=braking.capacitance_F if braking else 10e-3,
        clamp_V=braking.voltage_limit_V if braking and braking.clamp_power_W else math.inf,
        idle_W=1.0,
        discharge_s=0.02,
    )
