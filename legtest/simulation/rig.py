"""The whole simulated bench: plant, physics, axes, drive nodes, bus, adapter and a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from legtest.description.model import BenchDescription, DriveDescription, JointDescription, LegDescription
from legtest.errors import UsageError
from legtest.simulation.actuator import SimulatedAxis, Supply
from legtest.simulation.bus import VirtualBus
from legtest.simulation.faults import FaultCase, apply
from legtest.simulation.hands import SimulatedPerson
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity
from legtest.simulation.physics import Physics
from legtest.simulation.plant import Plant, Vector, plant_of
from legtest.simulation.stops import EndStops

PEAK_OVER_RATED = 3.0
_TURN_AROUND_NS = 20_000


class Truth(NamedTuple):
    """What really is, for tests and never for a verdict. SI; mappings by joint, or by axis of the same name.

    foot_m: the foot's centre from the hip on the carriage. hip_height_m: above the floor.
    torque_Nm: at each actuator, during the last physics step.
    """

    joint_rad: Mapping[str, float]
    joint_rad_s: Mapping[str, float]
    actuator_rad: Mapping[str, float]
    torque_Nm: Mapping[str, float]
    foot_m: Vector
    hip_height_m: float


@dataclass(frozen=True, slots=True)
class Rig:
    """One simulated leg on its stand, wired to its bus."""

    plant: Plant
    physics: Physics
    axes: tuple[SimulatedAxis, ...]
    bus: VirtualBus
    nodes: tuple[DriveNode, ...]
    link: VirtualLink
    person: SimulatedPerson
    supply: Supply

    def emergency_stop(self, *, pressed: bool, logic: bool) -> None:
        """Press or release the switch in the motor supply; logic: the drives' own supply goes through it as well."""
        self.supply.on = not pressed
        for node in self.nodes if logic else ():
            node.supply(not pressed)

    def truth(self) -> Truth:
        """What really is at the present instant of the bus."""
        physics, plant = self.physics, self.plant
        physics.advance(self.bus.now_ns)
        state = physics.state()
        index = {name: physics.joint_index[name] for name in plant.joints}
        return Truth(
            joint_rad={name: state.position[i] for name, i in index.items()},
            joint_rad_s={name: state.velocity[i] for name, i in index.items()},
            actuator_rad={
                axis.name: state.position[i] / axis.gear_scale
                for axis, i in zip(plant.axes, physics.rotor_index, strict=True)
            },
            torque_Nm={axis.name: torque for axis, torque in zip(plant.axes, state.torque, strict=True)},
            foot_m=physics.foot_m(),
            hip_height_m=physics.height_m(),
        )


def build_rig(leg: LegDescription, bench: BenchDescription, *, seed: int, faults: Sequence[FaultCase] = ()) -> Rig:
    """The simulated bench of a leg file, with faults put into its plant; bit-identical for one seed.

    Raises UsageError where the simulation has no such leg, or a fault has no such joint or is given twice.
    """
    plant = plant_of(leg, bench, seed)
    places = [(case.name, case.joint) for case in faults]
    for case, place in zip(faults, places, strict=True):
        if places.count(place) > 1:
            raise UsageError(f"fault '{case}' is given twice")
        plant = apply(plant, case)
    physics = Physics(plant)
    EndStops(physics)
    supply = Supply(physics)
    axes = tuple(SimulatedAxis(physics, number, supply) for number in range(len(leg.joints)))
    bus = VirtualBus(bench.bit_rate)
    nodes = tuple(_node(bus, axis, joint) for axis, joint in zip(axes, leg.joints, strict=True))

    def wait(span_ns: int) -> None:
        bus.run(bus.now_ns + span_ns)
        physics.advance(bus.now_ns)

    return Rig(
        plant=plant,
        physics=physics,
        axes=axes,
        bus=bus,
        nodes=nodes,
        link=VirtualLink(bus, plant.frame_loss, seed),
        person=SimulatedPerson(physics, axes, wait),
        supply=supply,
    )


def _node(bus: VirtualBus, axis: SimulatedAxis, joint: JointDescription) -> DriveNode:
    drive = joint.drive
    config = DriveConfig(
        counts_per_turn=drive.counts_per_turn,
        rated_torque_Nm=drive.rated_torque_Nm,
        peak_torque_Nm=PEAK_OVER_RATED * drive.rated_torque_Nm,
        sign=drive.sign,
        turn_around_ns=_TURN_AROUND_NS,
    )
    return DriveNode(bus, drive.node, axis, _identity(drive), config)


def _identity(drive: DriveDescription) -> Identity:
    """What the drive answers in object 0x1018. A number the leg file leaves open is 1, a serial number 0."""

    def known(number: int | None, otherwise: int) -> int:
        return otherwise if number is None else number

    return Identity(
        vendor=known(drive.vendor, 1),
        product=known(drive.product, 1),
        revision=known(drive.revision, 1),
        serial=known(drive.serial, 0),
    )
