"""What a drive's compiler hands over: plain data, nothing that runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from legtest.canbus.wiremap import NodeIdentity, ObjectWrite, WireMap


class BusTiming(NamedTuple):
    """What a compiler must know of the bench: cycle period, host heartbeat's node id, loss time, stop ramp."""

    period_ns: int
    host_node: int
    loss_ns: int
    deceleration_rad_s2: float
    following_rad: float


@dataclass(frozen=True, slots=True)
class CompiledDrive:
    """One axis, ready for the loop. objects: written and read back by the pre-check, in order.

    arm, disarm: make the drive watch our heartbeat, and stop watching.
    """

    wiremap: WireMap
    identity: NodeIdentity
    objects: tuple[ObjectWrite, ...]
    arm: ObjectWrite
    disarm: ObjectWrite
