"""Hands at the bench: who arranges leg and stand, and reads what no drive knows.

A reading enters the record with its segment, so that `evaluate` and replay see it and nothing else does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

from legtest.description.model import BenchDescription, Instrument
from legtest.description.setup import SetUp
from legtest.errors import NotRun


class Hands(Protocol):
    """Whoever arranges leg and stand and reads instruments: a person, or the simulation's."""

    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None:
        """Make the arrangement, unpowered. Raises NotRun when nobody is there to do it."""
        ...

    def read(self, instrument: Instrument, joint: str) -> float:
        """What an instrument shows, SI. joint: where it is held, "" where that goes without saying. Raises NotRun."""
        ...

    def pose(self, joints_rad: Sequence[float]) -> None:
        """Take the limp leg by hand near these joint angles, rad, and hold it there, until `let_go`. Raises NotRun."""
        ...

    def let_go(self) -> None:
        """Take both hands off the leg."""
        ...

    def set_hook(self, height_m: float) -> None:
        """Set a hook that catches the carriage with the hip at this height, m. Raises NotRun."""
        ...

    def pull_hook(self) -> None:
        """Pull the hook's cord, out of reach of the leg; it catches again afterwards. Raises NotRun."""
        ...

    def power_cycle(self) -> None:
        """Take every supply of the unpowered drives away for seconds, and give it back. Raises NotRun."""
        ...

    def emergency_stop(self, *, pressed: bool) -> tuple[int, float]:
        """Press the emergency stop, or release it and clear the faults that the drives hold.

        Returns the instant by a contact of its own, ns since the bus was opened, and the half width it is known
        within, s. Raises NotRun.
        """
        ...


class Reading(NamedTuple):
    """One reading of an instrument. value, u: SI; name, calibration: of the instrument; joint: where it was held."""

    quantity: str
    value: float
    u: float
    name: str
    calibration: str
    joint: str
    t_ns: int

    def plain(self) -> dict[str, Any]:
        """For the record."""
        return self._asdict()


def instrument_for(bench: BenchDescription, quantity: str) -> Instrument:
    """The bench's instrument for a quantity. Raises NotRun where it has none."""
    for instrument in bench.instruments:
        if instrument.quantity == quantity:
            return instrument
    raise NotRun(
        f"needs an instrument for {quantity}: the bench {bench.name} has none; name one under instruments: in its file"
    )


def take(hands: Hands, bench: BenchDescription, quantity: str, joint: str, t_ns: int) -> Reading:
    """Have an instrument read, by whoever reads it. Raises NotRun where there is no instrument or nobody to read it."""
    instrument = instrument_for(bench, quantity)
    value = float(hands.read(instrument, joint))
    return Reading(quantity, value, instrument.u, instrument.name, instrument.calibration, joint, t_ns)
