"""Torque as a motor really gives it and a drive believes it: friction by speed, direction and load, ripple, sensing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from legtest.simulation.tolerances import Parts

# What healthy parts may differ by, drawn uniformly.
STICTION = (0.05, 0.15)
STRIBECK_rad_s = (0.03, 0.06)
ASYMMETRY = 0.03
LOAD_FRICTION = (0.003, 0.010)
RIPPLE = (0.002, 0.006)  # of rated torque, amplitude of each order
SENSE_OFFSET = 0.003  # of rated torque
SATURATION = (0.0, 0.015)  # torque missing at three times the rated one
ORDERS = (9, 54)  # once per turn of the rotor; mesh of the gear: per turn of the output
_THREE = 3.0  # times the rated torque is the peak


@dataclass(frozen=True, slots=True)
class Ripple:
    """A torque over the angle, once for each 1/order of a turn of the output: amplitude_Nm sin(order angle + phase)."""

    order: int
    amplitude_Nm: float
    phase_rad: float


@dataclass(frozen=True, slots=True)
class TorquePlant:
    """One motor's torque, all at the gearbox output.

    stiction: share by which friction at rest exceeds the Coulomb part, lost over speed as exp(-(w/stribeck_rad_s)^2)
    (Stribeck's curve in the form of Armstrong-Helouvry 1991). asymmetry: friction is (1 + asymmetry) times as large in
    the positive direction, (1 - asymmetry) times in the negative one. load_friction: friction grows by this share of
    the torque that is transmitted. ripple: moves with the angle, whatever the current.
    sense_offset_Nm: what the drive reads as torque without current; its current loop makes the reading right.
    saturation: share of the torque that is missing at peak torque, growing evenly with torque; the current follows.
    """

    rated_Nm: float
    stiction: float
    stribeck_rad_s: float
    asymmetry: float
    load_friction: float
    ripple: tuple[Ripple, ...]
    sense_offset_Nm: float
    saturation: float

    def friction_factor(self, speed_rad_s: float) -> float:
        """Friction at a speed over the Coulomb part, viscous part apart."""
        return 1.0 + self.stiction * math.exp(-((speed_rad_s / self.stribeck_rad_s) ** 2))

    def ripple_Nm(self, angle_rad: float) -> float:
        """Torque over the angle of the rotor, as seen at the output."""
        return sum(r.amplitude_Nm * math.sin(r.order * angle_rad + r.phase_rad) for r in self.ripple)

    def given_Nm(self, read_Nm: float) -> float:
        """What the motor gives when the drive reads this, nominal torque constant."""
        current = read_Nm - self.sense_offset_Nm
        return current * (1.0 - self.saturation * abs(current) / (_THREE * self.rated_Nm))

    def read_Nm(self, given_Nm: float) -> float:
        """What the drive reads when the motor gives this: the inverse of `given_Nm`."""
        a = self.saturation / (_THREE * self.rated_Nm)
        return 2.0 * given_Nm / (1.0 + math.sqrt(max(0.0, 1.0 - 4.0 * a * abs(given_Nm)))) + self.sense_offset_Nm


def torque_of(name: str, rated_Nm: float, parts: Parts) -> TorquePlant:
    """A healthy motor's, every part inside its tolerance."""

    def ripple(order: int) -> Ripple:
        amplitude = rated_Nm * parts.uniform(f"{name} ripple {order}", *RIPPLE)
        return Ripple(order, amplitude, parts.uniform(f"{name} ripple phase {order}", 0.0, 2 * math.pi))

    return TorquePlant(
        rated_Nm=rated_Nm,
        stiction=parts.uniform(f"{name} stiction", *STICTION),
        stribeck_rad_s=parts.uniform(f"{name} stribeck", *STRIBECK_rad_s),
        asymmetry=parts.uniform(f"{name} asymmetry", -ASYMMETRY, ASYMMETRY),
        load_friction=parts.uniform(f"{name} load friction", *LOAD_FRICTION),
        ripple=tuple(map(ripple, ORDERS)),
        sense_offset_Nm=rated_Nm * parts.uniform(f"{name} sense offset", -SENSE_OFFSET, SENSE_OFFSET),
        saturation=parts.uniform(f"{name} saturation", *SATURATION),
    )
