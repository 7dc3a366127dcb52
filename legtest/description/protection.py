"""What protects people, leg and stand on a bench, as declared in its file. None = the file says `none`. SI throughout.

Terms are those of IEC 60204-1 (emergency stop, enabling device) and ISO 12100 (protective measure, guard).
"""

from __future__ import annotations

from typing import NamedTuple


class EmergencyStop(NamedTuple):
    """latching: it stays pressed by itself. distance_m: from where the person stands. cuts: what it interrupts."""

    latching: bool
    distance_m: float
    cuts: str  # "motor supply" (the drives' logic stays alive), "all supplies", or "enable signal"


class EnablingDevice(NamedTuple):
    """Held by a person while the leg moves. positions: 3 = off, on, off when squeezed."""

    positions: int
    cuts: str


class Fence(NamedTuple):
    """distance_m: from the hip axis to its nearest part. closed: it stands on all sides."""

    distance_m: float
    closed: bool


class Catch(NamedTuple):
    """What catches the falling carriage: free fall, the way in which it is then stopped, rating of the weakest part."""

    drop_m: float
    stretch_m: float
    rated_force_N: float


class Supply(NamedTuple):
    """The motor supply: its lowest and highest voltage in operation, and where it limits the current."""

    voltage_V: tuple[float, float]
    current_limit_A: float | None


class Braking(NamedTuple):
    """Where braking energy goes: capacitance on the motor supply up to the lowest over-voltage limit of what hangs on
    it, or a clamp (braking resistor) with its power. rotor_inertia_kgm2: of one drive, seen at the gearbox output.
    """

    capacitance_F: float
    voltage_limit_V: float
    clamp_power_W: float | None
    rotor_inertia_kgm2: float


class Anchorage(NamedTuple):
    """What the fastening of the stand may bear: horizontal force at the foot plate, moment at the base."""

    rated_force_N: float
    rated_moment_Nm: float


class Protection(NamedTuple):
    """The whole section. leg_mass_kg: the heaviest leg hung here, with its motors, as weighed.

    supply_switch_s: after which silence of the heartbeat a switch in the motor supply opens by itself.
    adapter: serial number or interface that identifies the CAN adapter. brake_clamp_N: its holding force.
    """

    leg_mass_kg: float
    emergency_stop: EmergencyStop | None
    enabling_device: EnablingDevice | None
    fence: Fence | None
    catch: Catch | None
    brake_clamp_N: float | None
    supply: Supply | None
    braking: Braking | None
    anchorage: Anchorage | None
    supply_switch_s: float | None
    adapter: str | None

    @property
    def power_W(self) -> float | None:
        """The most that the motor supply can give: current limit x lowest voltage. None without a limit."""
        if self.supply is None or self.supply.current_limit_A is None:
            return None
        return self.supply.current_limit_A * self.supply.voltage_V[0]
