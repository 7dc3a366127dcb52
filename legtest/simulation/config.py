"""Who a simulated drive is, and how its maker set it up."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity objects 0x1018 and 0x1008..0x100A."""

    vendor: int = 0
    product: int = 1
    revision: int = 0x00010000
    serial: int = 0
    name: str = "Tarn axis"
    hardware: str = "A"
    software: str = "1.0"


@dataclass(frozen=True, slots=True)
class DriveConfig:
    """What the drive knows of its motor; all at the gearbox output.

    counts_per_turn: encoder counts for one turn. rated_torque_Nm: 1000 per mille. peak_torque_Nm: the most the
    power stage gives. sign: +1 or -1, drive counts (and torque) against the axis angle. turn_around_ns: from a
    request or SYNC to the answer being queued, and up to turn_jitter_ns more. watchdog: true over stated time until a
    silent host is noticed. voltage_gain, voltage_noise_V: of the supply's reading. noise_key: of what differs from one
    instant to the next. Supply and winding limits: beyond them the drive faults; the temperature warning comes
    `warning_K` earlier.
    """

    counts_per_turn: float = 65536
    rated_torque_Nm: float = 6.0
    peak_torque_Nm: float = 18.0
    sign: int = 1
    turn_around_ns: int = 20_000
    turn_jitter_ns: int = 0
    watchdog: float = 1.0
    voltage_gain: float = 1.0
    voltage_noise_V: float = 0.0
    noise_key: int = 0
    supply_min_V: float = 20.0
    supply_max_V: float = 60.0
    winding_max_C: float = 120.0
    warning_K: float = 15.0
