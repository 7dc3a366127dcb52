"""The `protection` section of a bench file: every line must be there, and `none` is an honest answer to most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from legtest.description.fields import Choice, Dimension, Text, Whole, rising
from legtest.description.section import Length, Mass, Section, key

_READY = "legtest.readiness"
NONE = "none"
CUTS = ("motor supply", "all supplies", "enable signal")

Cuts = Annotated[str, Choice(CUTS)]
Force = Annotated[float, Dimension("force", above="0 N", at_most="100 kN")]
Current = Annotated[float, Dimension("current", above="0 A", at_most="1000 A")]
Identifier = Annotated[str, Text("serial number 20311")]
Power = Annotated[float, Dimension("power", above="0 W", at_most="100 kW")]
Voltage = Annotated[float, Dimension("voltage", above="0 V", at_most="1000 V")]
VoltageRange = Annotated[tuple[Voltage, Voltage], AfterValidator(rising)]


@dataclass(frozen=True)
class OrNone:
    """The word `none` for None; an empty value was reported where the file was read."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(value: object, inner: core_schema.ValidatorFunctionWrapHandler) -> object:
            return None if isinstance(value, str) and value.strip() == NONE else inner(value)

        return core_schema.no_info_wrap_validator_function(read, handler(source))

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        options = handler(core)["anyOf"]
        return {"anyOf": [{"enum": [NONE]} if option == {"type": "null"} else option for option in options]}


class EmergencyStopSection(Section):
    """The emergency stop: wired, independent of legtest and of any program."""

    actuator: Annotated[int, Choice(("latching", "momentary"), (1, 0))] = key(
        "latching: it stays pressed until somebody releases it", _READY, "latching"
    )
    distance: Length = key("from where the person stands to the actuator", _READY, "distance_m")
    cuts: Cuts = key("what it interrupts; all supplies includes the drives' logic", "legtest.signoff", "cuts")


class EnablingDeviceSection(Section):
    """A device held by a person while the leg moves."""

    positions: Annotated[int, Whole(2, 3)] = key("3: off, on, and off again when squeezed", _READY, "positions")
    cuts: Cuts = key("what it interrupts when let go", _READY, "cuts")


class FenceSection(Section):
    """A guard that keeps hands out."""

    distance: Annotated[float, Dimension("length", above="0 m", at_most="20 m")] = key(
        "from the hip axis to the nearest part of it", _READY, "distance_m"
    )
    sides: Annotated[int, Choice(("all", "some"), (1, 0))] = key("all: closed all round", _READY, "closed")


class CatchSection(Section):
    """What catches the falling carriage: strap, rope, damper."""

    drop: Annotated[float, Dimension("length", at_least="0 m", at_most="2 m")] = key(
        "free fall until it holds, measured with the carriage at its highest", _READY, "drop_m"
    )
    stretch: Length = key("way from there to standstill", _READY, "stretch_m")
    rated_force: Force = key("of its weakest part", _READY, "rated_force_N")


class BrakeClampSection(Section):
    """What holds the carriage on its rail."""

    holding_force: Force = key("along the rail, as tried", _READY, "brake_clamp_N")


class SupplySection(Section):
    """The motor supply."""

    voltage: VoltageRange = key("lowest and highest in operation", _READY, "voltage_V")
    current_limit: Annotated[Current | None, OrNone()] = key(
        "where the supply limits its current by itself", _READY, "power_W"
    )


class BrakingSection(Section):
    """Where the energy of a braking leg goes."""

    capacitance: Annotated[float, Dimension("capacitance", above="0 F", at_most="100 F")] = key(
        "on the motor supply, the drives' own included", _READY, "capacitance_F"
    )
    voltage_limit: Voltage = key("lowest over-voltage limit of all that hangs on it", _READY, "voltage_limit_V")
    clamp_power: Annotated[Power | None, OrNone()] = key("peak power of a braking resistor", _READY, "clamp_power_W")
    rotor_inertia: Annotated[float, Dimension("inertia", above="0 kg*m^2", at_most="100 kg*m^2")] = key(
        "of one drive, seen at the gearbox output", _READY, "rotor_inertia_kgm2"
    )


class AnchorageSection(Section):
    """How the stand is fastened."""

    rated_force: Force = key("horizontal force at the foot plate", _READY, "rated_force_N")
    rated_moment: Annotated[float, Dimension("torque", above="0 N*m", at_most="100000 N*m")] = key(
        "tipping moment at the base", _READY, "rated_moment_Nm"
    )


class SupplySwitchSection(Section):
    """A switch in the motor supply that opens by itself when the host's heartbeat stops."""

    opens_after: Annotated[float, Dimension("time", above="0 s", at_most="2 s")] = key(
        "after the last heartbeat", _READY, "supply_switch_s"
    )


class ProtectionSection(Section):
    """What protects people, leg and stand."""

    leg_mass: Mass = key("heaviest leg hung here, with its motors, as weighed", _READY, "leg_mass_kg")
    emergency_stop: Annotated[EmergencyStopSection | None, OrNone()] = key(
        "the emergency stop", _READY, "emergency_stop"
    )
    enabling_device: Annotated[EnablingDeviceSection | None, OrNone()] = key(
        "held by a person while the leg moves", _READY, "enabling_device"
    )
    fence: Annotated[FenceSection | None, OrNone()] = key("keeps hands out", _READY, "fence")
    catch: Annotated[CatchSection | None, OrNone()] = key("catches the falling carriage", _READY, "catch")
    brake_clamp: Annotated[BrakeClampSection | None, OrNone()] = key("holds the carriage", _READY, "brake_clamp_N")
    supply: Annotated[SupplySection | None, OrNone()] = key("the motor supply", _READY, "supply")
    braking: Annotated[BrakingSection | None, OrNone()] = key("where braking energy goes", _READY, "braking")
    anchorage: Annotated[AnchorageSection | None, OrNone()] = key("how the stand is fastened", _READY, "anchorage")
    supply_switch: Annotated[SupplySwitchSection | None, OrNone()] = key(
        "opens when the heartbeat stops; for drives that do not stop by themselves", _READY, "supply_switch_s"
    )
    adapter: Annotated[Identifier | None, OrNone()] = key(
        "what identifies the CAN adapter", _READY, "adapter"
    )
