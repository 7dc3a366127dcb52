"""The figures behind the grades: energies, forces and moments that a bench must bear, each bounded from above.

Bounds, not simulations: a bench that meets them has room to spare, and what they take for the worst is written beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from legtest.description.model import LegDescription, StandDescription
from legtest.description.protection import Braking, Catch, Protection

GRAVITY = 9.81  # m/s^2
FOLDED_SHARE = 0.5  # shortest lever between hip and foot that is counted with, of the straight leg


def reach_m(leg: LegDescription) -> float:
    """From the hip axis to the farthest point of the leg, hip offset included."""
    return hypot(leg.geometry.thigh_m + leg.geometry.shank_m, leg.geometry.hip_offset_m)


def weight_N(protection: Protection, stand: StandDescription) -> float:
    """Of leg and carriage."""
    return (protection.leg_mass_kg + stand.carriage_mass_kg) * GRAVITY


def catch_force_N(catch: Catch, weight_N: float) -> float:
    """Largest force on a catch that stops the carriage: free fall over d, then a linear spring over s.

    Energy: W (d + s) = F s / 2, so F = 2 W (d + s) / s (any textbook on impact loads).
    """
    return 2 * weight_N * (catch.drop_m + catch.stretch_m) / catch.stretch_m


def push_N(leg: LegDescription, torque_Nm: Sequence[float]) -> float:
    """Horizontal force that the actuators can put on foot and stand: all of them on the shortest lever."""
    return sum(torque_Nm) / (FOLDED_SHARE * (leg.geometry.thigh_m + leg.geometry.shank_m))


def tipping_moment_Nm(leg: LegDescription, stand: StandDescription, torque_Nm: Sequence[float]) -> float:
    """At the base of the stand: the push at the height of the hip, and the actuators' own reaction."""
    return push_N(leg, torque_Nm) * stand.hip_height_m + sum(torque_Nm)


def motion_energy_J(
    leg: LegDescription, protection: Protection, stand: StandDescription, speed_rad_s: Sequence[float]
) -> float:
    """Kinetic and potential energy that braking can return, at most.

    Kinetic: the whole leg's mass at the foot, every joint at its allowed speed, and the rotors. Potential: leg and
    carriage lowered by the length of the leg.
    """
    length, shank = leg.geometry.thigh_m + leg.geometry.shank_m, leg.geometry.shank_m
    *abduction, hip, knee = speed_rad_s
    foot_m_s = hypot(hip * length + knee * shank, (abduction[0] if abduction else 0.0) * length)
    rotor = protection.braking.rotor_inertia_kgm2 if protection.braking else 0.0
    kinetic = 0.5 * protection.leg_mass_kg * foot_m_s**2 + 0.5 * rotor * sum(w * w for w in speed_rad_s)
    return kinetic + weight_N(protection, stand) * length


def room_J(braking: Braking, highest_V: float) -> float:
    """Energy that the capacitance takes up from the highest supply voltage to the over-voltage limit."""
    return 0.5 * braking.capacitance_F * max(0.0, braking.voltage_limit_V**2 - highest_V**2)


def braking_power_W(torque_Nm: Sequence[float], speed_rad_s: Sequence[float]) -> float:
    """Largest power that braking can return: every actuator at its torque and its allowed speed."""
    return sum(torque * speed for torque, speed in zip(torque_Nm, speed_rad_s, strict=True))
