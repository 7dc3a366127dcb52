"""A leg, its stand and its bench as the rest of the program sees them: frozen, checked, SI.

Made only by `legtest.description.read_leg`, `read_stand` and `read_bench`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from legtest.description.protection import Protection


class Limit(NamedTuple):
    """Tolerance limits of one quantity, SI, and the line of the file that sets them ("leg.yaml:31").

    margin: how far the quantity may move between two runs and still count as the same; None = not stated.
    """

    low: float | None
    high: float | None
    kind: str
    where: str
    margin: float | None = None


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How a value is judged against its limits, fixed before the run (JCGM 106).

    name: "guarded" = pass only when the whole interval value +- U lies inside the limits, fail only when it lies
    outside them, inconclusive between; "simple" = the value alone decides (shared risk).
    coverage: probability of the expanded uncertainty's interval, e.g. 0.95.
    """

    name: Literal["guarded", "simple"]
    coverage: float


@dataclass(frozen=True, slots=True)
class DriveDescription:
    """The drive of one joint, all values at the gearbox output.

    eds: path of the maker's EDS file. counts_per_turn: encoder counts for one turn of the output.
    rated_torque_Nm: what the drive calls 1000 per mille. sign: +1 or -1, drive count direction against joint.
    stiffness, damping: the position loop's gains as configured in the drive.
    declared_firmware: what a person says runs in the drive; nobody asked the drive.
    """

    protocol: str
    node: int
    eds: str
    counts_per_turn: float
    rated_torque_Nm: float
    sign: int
    stiffness_Nm_per_rad: float
    damping_Nms_per_rad: float
    vendor: int | None
    product: int | None
    revision: int | None
    serial: int | None
    declared_firmware: str = ""


@dataclass(frozen=True, slots=True)
class HomeDescription:
    """How a joint finds its zero: which end stop, how hard, how fast."""

    stop: Literal["low", "high"]
    torque_Nm: float
    speed_rad_s: float


@dataclass(frozen=True, slots=True)
class JointDescription:
    """One joint. travel: the end stops by the drawing; limits: where motion is allowed (inside the travel)."""

    name: str
    drive: DriveDescription
    travel_rad: tuple[float, float]
    limits_rad: tuple[float, float]
    speed_rad_s: float
    torque_Nm: float
    home: HomeDescription


@dataclass(frozen=True, slots=True)
class Geometry:
    """Lengths of the leg: hip offset along y (negative for a right leg), thigh, shank; metres.

    knee_sign: which of the two bends the inverse kinematics takes (+1 or -1).
    foot_radius_m: from the foot's centre to the floor while it carries leg and carriage; 0 where the file does not say.
    """

    hip_offset_m: float
    thigh_m: float
    shank_m: float
    knee_sign: int
    foot_radius_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Criteria:
    """Limits by quantity; a joint's own line goes before the leg's."""

    leg: Mapping[str, Limit]
    joints: Mapping[str, Mapping[str, Limit]]

    def limit(self, quantity: str, subject: str) -> Limit | None:
        """The limit that holds for a quantity of a joint (or "foot", "leg"), or None."""
        return self.joints.get(subject, {}).get(quantity) or self.leg.get(quantity)


@dataclass(frozen=True, slots=True)
class LegDescription:
    """One leg. coupling: joint angles = coupling x actuator angles (rows joints, columns actuators, same order)."""

    name: str
    path: str
    sha256: str
    geometry: Geometry
    joints: tuple[JointDescription, ...]
    coupling: tuple[tuple[float, ...], ...]
    criteria: Criteria
    decision: DecisionRule
    simulation: Mapping[str, Any]

    def joint(self, name: str) -> JointDescription:
        """The joint of that name; KeyError with the names there are."""
        for joint in self.joints:
            if joint.name == name:
                return joint
        raise KeyError(f"leg {self.name} has no joint {name!r}; it has {', '.join(j.name for j in self.joints)}")

    @property
    def joint_names(self) -> tuple[str, ...]:
        return tuple(joint.name for joint in self.joints)


@dataclass(frozen=True, slots=True)
class StandDescription:
    """The stand: carriage mass, height of the hip above the floor when clamped, and its protective measures.

    The measures (catch, brake clamp, emergency stop, fence) are texts; "none" is an allowed answer.
    """

    name: str
    path: str
    sha256: str
    carriage_mass_kg: float
    hip_height_m: float
    measures: Mapping[str, str]
    simulation: Mapping[str, Any]


INSTRUMENT_KINDS = {
    "rail_height": "length",
    "foot_force": "force",
    "stand_displacement": "length",
    "supply_current": "current",
    "winding_temperature": "temperature",
}


class Instrument(NamedTuple):
    """Something outside the drives that can be read. u: standard uncertainty of one reading, SI.

    quantity: rail_height = of the hip axis above the floor; foot_force = vertical, floor on foot; stand_displacement =
    of the stand at the rail, forward; supply_current; winding_temperature = of one motor.
    by: "person" or "bus". calibration: what u rests on, "" where nothing is cited.
    """

    name: str
    quantity: str
    u: float
    by: str
    calibration: str


@dataclass(frozen=True, slots=True)
class BenchDescription:
    """Bus and stand. interface: "simulated", or a python-can interface name with its channel.

    rate_hz: control cycles per second. heartbeat_s: how often the host's heartbeat is sent;
    loss_s: after which silence the drives act by themselves. known_mass_kg: the test mass and its standard
    uncertainty, None where the bench has none.
    max_age_s: oldest telemetry a powered leg may move on, None = three cycles. protection: what protects people, leg
    and stand; None only on a simulated bench. instruments: what can be read beside the drives, one for each quantity.
    """

    name: str
    path: str
    sha256: str
    stand: StandDescription
    interface: str
    channel: str
    bit_rate: int
    rate_hz: float
    heartbeat_s: float
    loss_s: float
    known_mass_kg: float | None
    known_mass_u_kg: float
    max_age_s: float | None = None
    protection: Protection | None = None
    instruments: tuple[Instrument, ...] = ()

    @property
    def power_W(self) -> float | None:
        """The most that the motor supply can give, W; None where it is not limited, or not said."""
        return self.protection.power_W if self.protection else None
