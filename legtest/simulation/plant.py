"""The true parameters of one simulated leg on one stand: what the parts are, not what the drawing says.

Everything the host believes comes from the leg file; everything that happens comes from here. Faults edit this and
nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from legtest.description.model import BenchDescription, JointDescription, LegDescription
from legtest.errors import UsageError
from legtest.simulation import tolerances
from legtest.simulation.electrics import HEAT, DrivePlant, SupplyPlant, drive_of, supply_of
from legtest.simulation.tolerances import Parts, value
from legtest.simulation.torques import TorquePlant, torque_of

Vector = tuple[float, float, float]
Matrix = tuple[tuple[float, ...], ...]

JOINT_SETS = (("abduction", "hip", "knee"), ("hip", "knee"))


@dataclass(frozen=True, slots=True)
class Link:
    """A rigid link: mass in kg, centre of mass in m from its joint, principal inertias about it in kg*m^2."""

    mass_kg: float
    centre_m: Vector
    inertia_kgm2: Vector


@dataclass(frozen=True, slots=True)
class AxisPlant:
    """One motor with its drive's sensors and its transmission, all values at the gearbox output.

    gear_scale: how far the drive believes the output has turned, per true turn (1 for the right gear).
    friction: Coulomb and viscous, on the rotor side of the transmission; ripple is the share of the Coulomb part that
    varies with the angle (three times a turn), cooling the share it loses per kelvin of winding temperature.
    transmission: elastic and damped, with a dead band of `backlash_rad` in all.
    torque_constant: true over nominal; sense_gain: measured over true current. The current loop makes the *measured*
    current right, so the true torque is torque_constant / sense_gain times the one the drive believes.
    zero_rad: what the encoder reads at the true zero after power-up. lost_counts_per_s: only while turning.
    heating: of the winding above its housing for steady torque, and its time constant.
    reading_age_s: how old a position is when the drive calls it the present one (filter of the encoder).
    """

    name: str
    stiffness_Nm_per_rad: float
    damping_Nms_per_rad: float
    rated_torque_Nm: float
    counts_per_turn: float
    gear_scale: float
    friction_Nm: float
    friction_ripple: float
    friction_phase_rad: float
    friction_cooling_per_K: float
    viscous_Nms_per_rad: float
    rotor_inertia_kgm2: float
    transmission_Nm_per_rad: float
    transmission_Nms_per_rad: float
    backlash_rad: float
    torque_constant: float
    sense_gain: float
    zero_rad: float
    noise_counts: float
    lost_counts_per_s: float
    heating_K_per_Nm2: float
    heating_s: float
    winding_ohm_A2_per_Nm2: float
    drive: DrivePlant
    torque: TorquePlant
    reading_age_s: float = 0.0

    @property
    def torque_scale(self) -> float:
        """True torque per torque the drive believes in."""
        return self.torque_constant / self.sense_gain


@dataclass(frozen=True, slots=True)
class StopPlant:
    """The end stops of one joint: true angles, and how each seating scatters.

    scatter_rad: standard deviation of one seating (normal); loose_rad: half width of a further uniform part.
    """

    low_rad: float
    high_rad: float
    scatter_rad: float
    loose_rad: float


@dataclass(frozen=True, slots=True)
class StandPlant:
    """The stand: compliant in x and y, with a carriage on a vertical rail. Height is of the hip when clamped."""

    stiffness_N_per_m: float
    damping_ratio: float
    moving_mass_kg: float
    carriage_mass_kg: float
    rail_friction_N: float
    rail_damping_Ns_per_m: float
    hip_height_m: float


@dataclass(frozen=True, slots=True)
class Plant:
    """One leg on one stand. `links`: hip link (three-joint leg only), thigh, shank.

    actuator_of_joint: actuator angles = this matrix x joint angles (the inverse of the leg file's coupling).
    frame_loss: share of frames the host's adapter drops, each way.
    """

    seed: int
    joints: tuple[str, ...]
    hip_offset_m: float
    thigh_m: float
    shank_m: float
    knee_sign: int
    links: tuple[Link, ...]
    axes: tuple[AxisPlant, ...]
    stops: tuple[StopPlant, ...]
    actuator_of_joint: Matrix
    stand: StandPlant
    supply_V: float
    supply: SupplyPlant
    ambient_C: float
    loss_s: float  # after which silence the drives are told to act
    frame_loss: float

    @property
    def length_m(self) -> float:
        """From the hip axis to the foot's centre, leg straight."""
        return self.thigh_m + self.shank_m

    @property
    def hanging_abduction_rad(self) -> float:
        """Where a straight limp three-joint leg hangs: its centre of mass below the abduction axis."""
        hip, thigh, shank = self.links
        outward = hip.mass_kg * hip.centre_m[1] + (thigh.mass_kg + shank.mass_kg) * self.hip_offset_m
        below = -thigh.mass_kg * thigh.centre_m[2] + shank.mass_kg * (self.thigh_m - shank.centre_m[2])
        return -math.atan2(outward, below)

    def parts(self) -> Parts:
        """The part generators of this leg's seed."""
        return Parts(self.seed)


def plant_of(leg: LegDescription, bench: BenchDescription, seed: int) -> Plant:
    """The healthy leg of a drawing with every part inside its tolerance, the same for the same seed.

    Raises UsageError where the simulation has no leg of that build.
    """
    joints = leg.joint_names
    if joints not in JOINT_SETS:
        known = " or ".join("/".join(names) for names in JOINT_SETS)
        raise UsageError(f"{leg.path}: joints {'/'.join(joints)}: the simulated leg knows {known}, in this order")
    parts = Parts(seed)

    def length(part: str, nominal: float) -> float:
        return nominal + parts.uniform(part, -tolerances.LINK_LENGTH_m, tolerances.LINK_LENGTH_m)

    planar = "abduction" not in joints
    return Plant(
        seed=seed,
        joints=joints,
        hip_offset_m=leg.geometry.hip_offset_m if planar else length("hip offset", leg.geometry.hip_offset_m),
        thigh_m=length("thigh", leg.geometry.thigh_m),
        shank_m=length("shank", leg.geometry.shank_m),
        knee_sign=leg.geometry.knee_sign,
        links=_links(leg, parts, planar),
        axes=tuple(_axis(leg, joint, parts) for joint in leg.joints),
        stops=tuple(_stop(leg, joint, parts) for joint in leg.joints),
        actuator_of_joint=inverse(leg.coupling, leg.path),
        stand=_stand(bench),
        supply_V=value(leg.simulation, "supply_V", 48.0),
        supply=supply_of(leg, bench, parts),
        ambient_C=22.0,
        loss_s=bench.loss_s,
        frame_loss=0.0,
    )


def _links(leg: LegDescription, parts: Parts, planar: bool) -> tuple[Link, ...]:
    """Links of the drawing's masses. Centre and inertia per mass are those of a slim link with its motor at the top."""

    def link(part: str, nominal_kg: float, centre: Vector, per_kg: Vector) -> Link:
        mass = parts.near(f"{part} mass", value(leg.simulation, f"{part}_mass_kg", nominal_kg), tolerances.MASS)
        return Link(mass, centre, (mass * per_kg[0], mass * per_kg[1], mass * per_kg[2]))

    g = leg.geometry
    thigh = link("thigh", 0.90, (0.0, 0.0, -0.40 * g.thigh_m), (3.3e-3, 3.3e-3, 0.56e-3))
    shank = link("shank", 0.25, (0.0, 0.0, -0.35 * g.shank_m), (4.0e-3, 4.0e-3, 0.20e-3))
    if planar:
        return thigh, shank
    return link("hip", 0.55, (0.0, g.hip_offset_m / 2, 0.0), (0.73e-3, 0.55e-3, 0.73e-3)), thigh, shank


def _axis(leg: LegDescription, joint: JointDescription, parts: Parts) -> AxisPlant:
    s, name, drive = leg.simulation, joint.name, joint.drive
    count = 2 * math.pi / drive.counts_per_turn
    rated = drive.rated_torque_Nm
    return AxisPlant(
        name=name,
        stiffness_Nm_per_rad=drive.stiffness_Nm_per_rad,
        damping_Nms_per_rad=drive.damping_Nms_per_rad,
        rated_torque_Nm=rated,
        counts_per_turn=drive.counts_per_turn,
        gear_scale=1.0,
        friction_Nm=parts.near(f"{name} friction", value(s, "coulomb_friction_Nm", 0.22), tolerances.COULOMB_FRICTION),
        friction_ripple=parts.uniform(f"{name} friction ripple", *tolerances.FRICTION_RIPPLE),
        friction_phase_rad=parts.uniform(f"{name} friction phase", 0.0, 2 * math.pi),
        friction_cooling_per_K=0.002,
        viscous_Nms_per_rad=parts.near(
            f"{name} viscous", value(s, "viscous_friction_Nms_per_rad", 0.03), tolerances.VISCOUS_FRICTION
        ),
        rotor_inertia_kgm2=value(s, "rotor_inertia_kgm2", 0.008),
        transmission_Nm_per_rad=value(s, "transmission_stiffness_Nm_per_rad", 800.0),
        transmission_Nms_per_rad=value(s, "transmission_damping_Nms_per_rad", 0.4),
        backlash_rad=value(s, "backlash_rad", parts.uniform(f"{name} backlash", *tolerances.BACKLASH_rad)),
        torque_constant=parts.near(f"{name} torque constant", 1.0, tolerances.TORQUE_CONSTANT),
        sense_gain=parts.near(f"{name} current sense", 1.0, tolerances.CURRENT_SENSE),
        zero_rad=count * round(parts.uniform(f"{name} zero", -math.pi, math.pi) / count),
        noise_counts=value(s, "encoder_noise_counts", 0.7),
        lost_counts_per_s=0.0,
        heating_K_per_Nm2=parts.near(f"{name} winding heat", 35.0, HEAT) / rated**2,  # 35 K at rated torque
        heating_s=parts.near(f"{name} winding time", 70.0, HEAT),
        winding_ohm_A2_per_Nm2=40.0 / rated**2,  # 40 W of copper loss at rated torque
        drive=drive_of(joint, parts),
        torque=torque_of(name, rated, parts),
        reading_age_s=parts.uniform(f"{name} reading age", *tolerances.READING_AGE_s),
    )


def _stop(leg: LegDescription, joint: JointDescription, parts: Parts) -> StopPlant:
    name, (low, high) = joint.name, joint.travel_rad
    tolerance = tolerances.END_STOP_rad
    scatter = parts.uniform(f"{name} stop scatter", *tolerances.STOP_SCATTER_rad)
    return StopPlant(
        low_rad=low + parts.uniform(f"{name} low stop", -tolerance, tolerance),
        high_rad=high + parts.uniform(f"{name} high stop", -tolerance, tolerance),
        scatter_rad=value(leg.simulation, "stop_scatter_rad", scatter),
        loose_rad=0.0,
    )


def _stand(bench: BenchDescription) -> StandPlant:
    stand, s = bench.stand, bench.stand.simulation
    return StandPlant(
        stiffness_N_per_m=value(s, "stiffness_N_per_m", 60e3),
        damping_ratio=value(s, "damping_ratio", 0.03),
        moving_mass_kg=value(s, "moving_mass_kg", 12.0),
        carriage_mass_kg=stand.carriage_mass_kg,
        rail_friction_N=value(s, "rail_friction_N", 2.0),
        rail_damping_Ns_per_m=value(s, "rail_damping_Ns_per_m", 4.0),
        hip_height_m=stand.hip_height_m,
    )


def inverse(coupling: Matrix, where: str) -> Matrix:
    """Inverse of a small square matrix by Gauss-Jordan elimination; UsageError naming `where` if it has none."""
    n = len(coupling)
    if any(len(row) != n for row in coupling):
        raise UsageError(f"{where}: coupling must have {n} columns in each of its {n} rows")
    rows = [[*map(float, row), *(float(i == k) for k in range(n))] for i, row in enumerate(coupling)]
    for column in range(n):
        pivot = max(range(column, n), key=lambda r: abs(rows[r][column]))
        if abs(rows[pivot][column]) < 1e-9:
            raise UsageError(f"{where}: coupling has no inverse: some joint cannot be moved by the actuators")
        rows[column], rows[pivot] = rows[pivot], rows[column]
        rows[column] = [x / rows[column][column] for x in rows[column]]
        for r in range(n):
            if r != column:
                factor = rows[r][column]
                rows[r] = [x - factor * y for x, y in zip(rows[r], rows[column], strict=True)]
    return tuple(tuple(row[n:]) for row in rows)
