"""How far a bench is ready: what may be done with a leg on it."""

from __future__ import annotations

from enum import IntEnum


class Grade(IntEnum):
    """LISTEN: nothing is sent. UNPOWERED: scan, telemetry, joints moved by hand. TORQUE_CAPPED: motion with each
    actuator held to the torque with which it may press against its end stop. FREE_MOTION: all that the leg file allows.
    """

    LISTEN = 0
    UNPOWERED = 1
    TORQUE_CAPPED = 2
    FREE_MOTION = 3

    @property
    def words(self) -> str:
        """As people read and type it: "torque-capped"."""
        return self.name.lower().replace("_", "-")
