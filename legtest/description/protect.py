"""The `protection` section of a bench file: what it must hold, and how it becomes plain data."""

from __future__ import annotations

from legtest.description.model import StandDescription
from legtest.description.nodes import Document, lookup
from legtest.description.protection import (
    Anchorage,
    Braking,
    Catch,
    EmergencyStop,
    EnablingDevice,
    Fence,
    Protection,
    Supply,
)
from legtest.description.protection_schema import NONE, BrakingSection, ProtectionSection

# In words in the stand's file, in figures in the bench's: both must agree on whether there is one.
_IN_BOTH = ("catch", "brake_clamp", "emergency_stop", "fence")


def check_protection(document: Document, stand: StandDescription | None) -> None:
    """Add what is missing on a live bench, and what contradicts the stand's own words."""
    section = lookup(document.tree, "protection")
    interface = lookup(document.tree, "bus", "interface")
    if ("protection",) not in document.keys and isinstance(interface, str) and interface != "simulated":
        lines = ", ".join(ProtectionSection.model_fields)
        message = f"is missing: a live bench says what protects people and leg, in the lines {lines}"
        document.report(("protection",), message)
    for name in _IN_BOTH if stand is not None else ():
        here = lookup(section, name)
        there = stand.measures[name] if stand else ""
        if here is not None and (here == NONE) != (there.strip().lower() == NONE):
            said = f"says {NONE}" if here == NONE else "describes one"
            message = f"{said}, but the stand file's measures.{name} says '{there}': one of the two is wrong"
            document.report(("protection", name), message)


def protection_of(section: ProtectionSection) -> Protection:
    """The section as plain data."""
    stop, device, fence, catch = section.emergency_stop, section.enabling_device, section.fence, section.catch
    supply, braking, anchorage = section.supply, section.braking, section.anchorage
    clamp, switch = section.brake_clamp, section.supply_switch
    return Protection(
        leg_mass_kg=section.leg_mass,
        emergency_stop=EmergencyStop(bool(stop.actuator), stop.distance, stop.cuts) if stop else None,
        enabling_device=EnablingDevice(device.positions, device.cuts) if device else None,
        fence=Fence(fence.distance, bool(fence.sides)) if fence else None,
        catch=Catch(catch.drop, catch.stretch, catch.rated_force) if catch else None,
        brake_clamp_N=clamp.holding_force if clamp else None,
        supply=Supply(supply.voltage, supply.current_limit) if supply else None,
        braking=_braking(braking) if braking else None,
        anchorage=Anchorage(anchorage.rated_force, anchorage.rated_moment) if anchorage else None,
        supply_switch_s=switch.opens_after if switch else None,
        adapter=section.adapter,
    )


def _braking(section: BrakingSection) -> Braking:
    return Braking(section.capacitance, section.voltage_limit, section.clamp_power, section.rotor_inertia)
