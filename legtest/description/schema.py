"""What a leg, stand and bench file may hold: every key with its kind, bounds, meaning and the code that uses it."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import model_validator

from legtest.description.coupling import CouplingField
from legtest.description.criteria import CriteriaField
from legtest.description.fields import AngleRange, Choice, Dimension, Name, Placed, Text, Whole
from legtest.description.instruments import InstrumentSection
from legtest.description.protection_schema import ProtectionSection
from legtest.description.section import Damping, Identity, Length, Mass, Section, Share, Speed, Stiffness, Torque, key

MAX_OVERLOAD = 10.0  # torque limit over rated torque: beyond this it is a slip of the pen, not a servo drive
BIT_RATES = (10_000, 20_000, 50_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)  # CiA 301, table of bit rates

_KINEMATICS, _CIA402, _WIRING = "legtest.kinematics", "legtest.drives.cia402", "legtest.wiring"
_HOMING, _DECISION, _PLANT = "legtest.procedures.homing", "legtest.metrology.decision", "legtest.simulation.plant"


class GeometrySection(Section):
    """Lengths of the leg."""

    hip_offset: Annotated[float, Dimension("length", at_least="-1 m", at_most="1 m")] = key(
        "from the abduction axis to the leg's plane along y; negative for a right leg", _KINEMATICS, "hip_offset_m"
    )
    thigh: Length = key("hip axis to knee axis", _KINEMATICS, "thigh_m")
    shank: Length = key("knee axis to foot centre", _KINEMATICS, "shank_m")
    knee_bends: Annotated[int, Choice(("backward", "forward"), (-1, 1))] = key(
        "where the knee points when the leg folds", _KINEMATICS, "knee_sign"
    )
    foot_radius: Length | None = key(
        "foot centre to the floor, the foot pressed by the weight of leg and carriage",
        "legtest.procedures.heights", "foot_radius_m", None,
    )  # fmt: skip


class DriveSection(Section):
    """The drive of one joint; everything at the gearbox output."""

    protocol: Annotated[str, Choice(("cia402",))] = key("what the drive speaks", _WIRING, "protocol")
    node: Annotated[int, Whole(1, 126)] = key("CANopen node id; 127 is the host's", _CIA402, "node")
    eds: Annotated[str, Text("../drives/axis.eds")] = key("the maker's EDS file, relative to this file", _CIA402, "eds")
    counts_per_turn: Annotated[float, Dimension("ratio", above="0", at_most="1e9")] = key(
        "encoder counts for one turn of the output", _CIA402, "counts_per_turn"
    )
    rated_torque: Torque = key("what the drive calls 1000 per mille", _CIA402, "rated_torque_Nm")
    sign: Annotated[int, Choice(("+1", "-1", "1"), (1, -1, 1))] = key(
        "-1 when the drive counts against the joint's positive direction", _CIA402, "sign"
    )
    stiffness: Stiffness = key("gain of the drive's position loop", _PLANT, "stiffness_Nm_per_rad")
    damping: Damping = key("damping of the drive's position loop", _PLANT, "damping_Nms_per_rad")
    vendor: Identity | None = key("identity object 0x1018, vendor", _CIA402, "vendor", None)
    product: Identity | None = key("identity object 0x1018, product code", _CIA402, "product", None)
    revision: Identity | None = key("identity object 0x1018, revision", _CIA402, "revision", None)
    serial: Identity | None = key("identity object 0x1018, serial number", _CIA402, "serial", None)
    declared_firmware: Annotated[str, Text("1.8.2, gains of 2031-02")] | None = key(
        "firmware and configuration as a person says them, for a drive that cannot report its own",
        "legtest.history",
        "declared_firmware",
        None,
    )


class LimitsSection(Section):
    """Where, how fast and how hard a joint may move."""

    position: AngleRange = key("soft limits, inside the travel", _WIRING, "limits_rad")
    speed: Speed = key("largest speed of the joint", _WIRING, "speed_rad_s")
    torque: Torque = key("largest torque of the drive", _WIRING, "torque_Nm")


class HomeSection(Section):
    """How a joint finds its zero."""

    stop: Annotated[str, Choice(("low", "high"))] = key("which end stop it drives to", _HOMING, "stop")
    torque: Torque = key("how hard it may press there", _HOMING, "torque_Nm")
    speed: Speed = key("how fast it goes there", _WIRING, "speed_rad_s", spelt="home.speed_rad_s")


class JointSection(Section):
    """One joint: its drive, its end stops by the drawing, its limits and how it homes."""

    drive: DriveSection = key("the drive", _WIRING, "drive")
    travel: AngleRange = key("end stops by the drawing", _WIRING, "travel_rad")
    limits: LimitsSection = key("limits of motion", _WIRING, "limits_rad")
    home: HomeSection = key("homing", _HOMING, "home")

    @model_validator(mode="after")
    def _agree(self) -> JointSection:
        problems: list[tuple[tuple[str, ...], str]] = []
        (low, high), (stop_low, stop_high) = self.limits.position, self.travel
        if not (stop_low < low and high < stop_high):
            problems.append((("limits", "position"), "must lie inside the travel, end stops not included"))
        if self.home.torque >= self.limits.torque:
            problems.append((("home", "torque"), "must be less than limits.torque"))
        if self.home.speed > self.limits.speed:
            problems.append((("home", "speed"), "must not be more than limits.speed"))
        if self.limits.torque > MAX_OVERLOAD * self.drive.rated_torque:
            message = f"is more than {MAX_OVERLOAD:g} times the drive's rated_torque; one of the two is wrong"
            problems.append((("limits", "torque"), message))
        if problems:
            raise Placed(problems)
        return self


class JointsSection(Section):
    """The joints; a planar leg has no abduction."""

    abduction: JointSection | None = key("about x; left out for a planar leg", _KINEMATICS, "joints", None)
    hip: JointSection = key("about y", _KINEMATICS, "joints")
    knee: JointSection = key("about y", _KINEMATICS, "joints")


class DecisionSection(Section):
    """How values are judged."""

    rule: Annotated[str, Choice(("guarded", "simple"))] = key(
        "guarded: uncertain values are inconclusive; simple: the value alone decides", _DECISION, "name"
    )
    coverage: Annotated[float, Dimension("ratio", at_least="50 %", at_most="99.9 %")] = key(
        "probability of the expanded uncertainty's interval", _DECISION, "coverage"
    )


class LegSimulation(Section):
    """What only the simulation needs; every key may be left out."""

    hip_mass: Mass | None = key("hip link", _PLANT, "hip_mass_kg", None, spelt="_mass_kg")
    thigh_mass: Mass | None = key("thigh with its motors", _PLANT, "thigh_mass_kg", None, spelt="_mass_kg")
    shank_mass: Mass | None = key("shank with foot", _PLANT, "shank_mass_kg", None, spelt="_mass_kg")
    coulomb_friction: Annotated[float, Dimension("torque", at_least="0 N*m")] | None = key(
        "per joint, at the gearbox output", _PLANT, "coulomb_friction_Nm", None
    )
    viscous_friction: Damping | None = key("per joint", _PLANT, "viscous_friction_Nms_per_rad", None)
    rotor_inertia: Annotated[float, Dimension("inertia", above="0 kg*m^2")] | None = key(
        "rotor, seen at the gearbox output", _PLANT, "rotor_inertia_kgm2", None
    )
    transmission_stiffness: Stiffness | None = key("gearbox or belt", _PLANT, "transmission_stiffness_Nm_per_rad", None)
    transmission_damping: Damping | None = key("gearbox or belt", _PLANT, "transmission_damping_Nms_per_rad", None)
    backlash: Annotated[float, Dimension("angle", at_least="0 deg", at_most="10 deg")] | None = key(
        "free play of a healthy joint", _PLANT, "backlash_rad", None
    )
    stop_scatter: Annotated[float, Dimension("angle", at_least="0 deg", at_most="10 deg")] | None = key(
        "standard deviation of where a joint seats at its end stop", _PLANT, "stop_scatter_rad", None
    )
    encoder_noise_counts: Annotated[float, Dimension("ratio", at_least="0", at_most="1000")] | None = key(
        "standard deviation of an encoder reading, in counts", _PLANT, "encoder_noise_counts", None
    )
    supply: Annotated[float, Dimension("voltage", above="0 V", at_most="1000 V")] | None = key(
        "supply of the drives", _PLANT, "supply_V", None
    )


class LegFile(Section):
    """A leg."""

    leg: Annotated[str, Name("tarn-fl")] = key("name of the leg", _WIRING, "name")
    geometry: GeometrySection = key("lengths", _KINEMATICS, "geometry")
    joints: JointsSection = key("joints by name", _WIRING, "joints")
    coupling: Annotated[Any, CouplingField()] = key(
        "joint angle = sum of factor x actuator angle; a joint not named has its own actuator, factor 1",
        _KINEMATICS,
        "coupling",
        None,
    )
    decision: DecisionSection = key("the decision rule, fixed before the run", _DECISION, "DecisionRule")
    criteria: Annotated[Any, CriteriaField()] = key(
        "tolerance limits by quantity, or by joint and quantity", "legtest.plugin", "criteria", None
    )
    simulation: LegSimulation = key("read by the simulation alone", _PLANT, "simulation", LegSimulation())


class MeasuresSection(Section):
    """The protective measures of the stand, as texts; `none` is an answer."""

    catch: Annotated[str, Text("slings above the carriage")] = key(
        "what catches the leg", "legtest.cli", "catch", spelt="measures"
    )
    brake_clamp: Annotated[str, Text("screw clamp on the rail")] = key(
        "what holds the carriage", "legtest.cli", "brake_clamp", spelt="measures"
    )
    emergency_stop: Annotated[str, Text("mushroom button, cuts the motor supply")] = key(
        "what removes the motor supply", "legtest.cli", "emergency_stop", spelt="measures"
    )
    fence: Annotated[str, Text("polycarbonate doors on three sides")] = key(
        "what keeps hands out", "legtest.cli", "fence", spelt="measures"
    )


class StandSimulation(Section):
    """What only the simulation needs; every key may be left out."""

    stiffness: Annotated[float, Dimension("stiffness", above="0 N/m")] | None = key(
        "of the frame, at the rail", _PLANT, "stiffness_N_per_m", None
    )
    damping_ratio: Share | None = key("of the frame's first mode", _PLANT, "damping_ratio", None)
    moving_mass: Mass | None = key("of the frame's first mode", _PLANT, "moving_mass_kg", None)
    rail_friction: Annotated[float, Dimension("force", at_least="0 N")] | None = key(
        "between carriage and rail", _PLANT, "rail_friction_N", None
    )
    rail_damping: Annotated[float, Dimension("damping", at_least="0 N*s/m")] | None = key(
        "between carriage and rail", _PLANT, "rail_damping_Ns_per_m", None
    )


class StandFile(Section):
    """A stand."""

    stand: Annotated[str, Name("streams")] = key("name of the stand", _WIRING, "name")
    carriage_mass: Mass = key("carriage without leg", _PLANT, "carriage_mass_kg")
    hip_height: Annotated[float, Dimension("length", above="0 m", at_most="5 m")] = key(
        "hip axis above the floor when clamped", _PLANT, "hip_height_m"
    )
    measures: MeasuresSection = key("protective measures", "legtest.cli", "measures")
    simulation: StandSimulation = key("read by the simulation alone", _PLANT, "simulation", StandSimulation())


class BusSection(Section):
    """The bus and the control rate."""

    interface: Annotated[str, Name("slcan")] = key("simulated, or a python-can interface", "legtest.live", "interface")
    channel: Annotated[str, Text("can0")] | None = key("channel of that interface", "legtest.live", "channel", None)
    bit_rate: Annotated[float, Dimension("bit_rate")] = key("one of the CiA 301 bit rates", _WIRING, "bit_rate")
    rate: Annotated[float, Dimension("frequency", at_least="20 /s", at_most="1000 /s")] = key(
        "control cycles per second", _WIRING, "rate_hz"
    )
    max_age: Annotated[float, Dimension("time", at_least="1 ms", at_most="1 s")] | None = key(
        "oldest telemetry a powered leg may move on; default: three cycles", _WIRING, "max_age_s", None
    )

    @model_validator(mode="after")
    def _agree(self) -> BusSection:
        problems: list[tuple[tuple[str, ...], str]] = []
        if self.bit_rate not in BIT_RATES:
            rates = ", ".join(f"{rate // 1000}" for rate in BIT_RATES)
            problems.append((("bit_rate",), f"is not a bit rate of CiA 301; those are {rates} kbit/s"))
        if self.interface != "simulated" and self.channel is None:
            problems.append((("channel",), f"is missing: interface {self.interface} needs one"))
        if problems:
            raise Placed(problems)
        return self


class HeartbeatSection(Section):
    """The host's sign of life to the drives."""

    every: Annotated[float, Dimension("time", at_least="1 ms", at_most="1 s")] = key(
        "how often it is sent", _WIRING, "heartbeat_s"
    )
    loss: Annotated[float, Dimension("time", at_least="2 ms", at_most="2 s")] = key(
        "after which silence the drives act by themselves", _WIRING, "loss_s"
    )

    @model_validator(mode="after")
    def _agree(self) -> HeartbeatSection:
        if self.loss < 2 * self.every:
            raise Placed([(("loss",), "must be at least twice heartbeat.every, or one late beat stops the leg")])
        return self


class KnownMassSection(Section):
    """The test mass of the bench."""

    mass: Mass = key("as weighed", "legtest.bench", "known_mass_kg")
    uncertainty: Annotated[float, Dimension("mass", above="0 kg")] = key(
        "standard uncertainty, k = 1", "legtest.procedures", "known_mass_u_kg"
    )

    @model_validator(mode="after")
    def _agree(self) -> KnownMassSection:
        if self.uncertainty >= 0.1 * self.mass:
            raise Placed([(("uncertainty",), "is a tenth of the mass or more: such a mass is not known")])
        return self


class BenchFile(Section):
    """A bench: a stand, a bus, and what is at hand there."""

    bench: Annotated[str, Name("streams-live")] = key("name of the bench", _WIRING, "name")
    stand: Annotated[str, Text("../stands/streams.yaml")] = key(
        "the stand's file, relative to this file", _PLANT, "stand"
    )
    bus: BusSection = key("the bus", _WIRING, "bench")
    heartbeat: HeartbeatSection = key("the host's heartbeat", _WIRING, "heartbeat_s")
    known_mass: KnownMassSection | None = key("the test mass", "legtest.bench", "known_mass_kg", None)
    instruments: list[InstrumentSection] = key(
        "what can be read beside the drives, one for each quantity", "legtest.hands", "instruments", []
    )
    protection: ProtectionSection | None = key(
        "what protects people, leg and stand; each line must be there on a live bench",
        "legtest.readiness",
        "protection",
        None,
    )
