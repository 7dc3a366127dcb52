"""The seam between a simulated drive's firmware and the mechanics it drives."""

from __future__ import annotations

from typing import NamedTuple, Protocol


class Reading(NamedTuple):
    """What a drive's own sensors say at one instant, at the gearbox output.

    position includes quantisation, noise, lost counts and the arbitrary zero after power-up; torque is computed
    from current with the torque constant the drive believes in.
    """

    position_rad: float
    velocity_rad_s: float
    torque_Nm: float
    temperature_C: float
    supply_V: float


class Axis(Protocol):
    """One power stage with its motor and sensors. Every call carries its instant; the physics is advanced to it first.

    Readings taken at the same instant are the same (noise is drawn once for each new instant).
    """

    def read(self, t_ns: int) -> Reading:
        """The sensors at t_ns."""
        ...

    def enable(self, t_ns: int, on: bool) -> None:
        """Switch the power stage; on: the position demand starts at the present position. Off: no torque."""
        ...

    def limit(self, t_ns: int, negative_Nm: float, positive_Nm: float) -> None:
        """Torque limits as magnitudes, as the drive believes them."""
        ...

    def follow(self, t_ns: int, target_rad: float, over_ns: int, torque_ff_Nm: float) -> None:
        """Position loop: move the demand linearly from where it is to the target within over_ns, then hold it there."""
        ...

    def push(self, t_ns: int, torque_Nm: float) -> None:
        """Torque mode: apply a torque, no position loop."""
        ...

    def demand_rad(self, t_ns: int) -> float:
        """Where the interpolated position demand is at t_ns, in the same frame as the position reading."""
        ...
