"""The whole simulated bench: plant, physics, axes, drive nodes, bus, adapter and a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from legtest.description.model import BenchDescription, DriveDescription, JointDescription, LegDescription
from legtest.errors import UsageError
from legtest.simulation.actuator import SimulatedAxis, Supply
from legtest.simulation.bus import VirtualBus
from legtest.simulation.faults import FaultCase, apply
from legtest.simulation.hands import SimulatedPerson
from legtest.simulation.instruments import SimulatedInstruments
from legtest.simulation.link import VirtualLink
from legtest.simulation.node import DriveConfig, DriveNode, Identity
from legtest.simulation.physics import Physics
from legtest.simulation.plant import AxisPlant, Plant, Vector, plant_of
from legtest.simulation.stops import EndStops
from legtest.simulation.tolerances import Parts

PEAK_OVER_RATED = 3.0


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
        _switch(self.bus, self.physics, self.axes, self.nodes, self.supply, on=not pressed, logic=logic)

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
    parts = plant.parts()
    nodes = tuple(_node(bus, *each, parts) for each in zip(axes, leg.joints, plant.axes, strict=True))

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
        person=SimulatedPerson(
            physics, axes, SimulatedInstruments(physics, axes, supply), wait,
            partial(_switch, bus, physics, axes, nodes, supply),
        ),
        supply=supply,
    )  # fmt: skip


def _switch(
    bus: VirtualBus,
    physics: Physics,
    axes: Sequence[SimulatedAxis],
    nodes: Sequence[DriveNode],
    supply: Supply,
    *,
    on: bool,
    logic: bool,
) -> None:
    """The motor supply on or off, and with it the drives' own. Encoders lose what they lose with the latter."""
    physics.advance(bus.now_ns)
    supply.on = on
    if not logic:
        return
    for axis, node in zip(axes, nodes, strict=True):
        if on:
            axis.power_up()
        node.supply(on)


def _node(
    bus: VirtualBus, axis: SimulatedAxis, joint: JointDescription, part: AxisPlant, parts: Parts
) -> DriveNode:
    drive, made = joint.drive, part.drive
    config = DriveConfig(
        counts_per_turn=drive.counts_per_turn,
        rated_torque_Nm=drive.rated_torque_Nm,
        peak_torque_Nm=PEAK_OVER_RATED * drive.rated_torque_Nm,
        sign=drive.sign,
        turn_around_ns=round(made.reply_s * 1e9),
        turn_jitter_ns=round(made.reply_jitter_s * 1e9),
        watchdog=made.watchdog,
        voltage_gain=made.voltage_gain,
        voltage_noise_V=made.voltage_noise_V,
        noise_key=parts.generator(f"{joint.name} drive noise").getrandbits(64),
    )
    return DriveNode(bus, drive.node, axis, _identity(drive, made.revision_step), config)


def _identity(drive: DriveDescription, revision_step: int) -> Identity:
    """What the drive answers in object 0x1018. A number the leg file leaves open is 1, a serial number 0."""

    def known(number: int | None, otherwise: int) -> int:
        return otherwise if number is None else number

    return Identity(
        vendor=known(drive.vendor, 1),
        product=known(drive.product, 1),
        revision=known(drive.revision, 1) + revision_step,
        serial=known(drive.serial, 0),
    )
