"""What one seed means: leg, rate, motions, and at most three faults out of a swarm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Literal

from legtest.campaign import faults_bus, faults_host, faults_leg
from legtest.campaign.fault import KINDS, Fault

RATES_HZ = (60.0, 100.0, 125.0, 200.0, 250.0)
MOST_FAULTS = 3
FAULTLESS_SHARE = 0.08  # of the seeds: they must never stop
PRECHECK_SHARE = 0.10  # of the seeds: the whole pre-check under faults
SHAPES = ("sine", "sine", "ramp", "ramp", "hold", "touch")
__all__ = ["KINDS", "Case", "Motion", "draw", "faults_bus", "faults_host", "faults_leg"]


@dataclass(frozen=True, slots=True)
class Motion:
    """One stretch. share: of the allowed speed; way_rad: at each joint; pause_ms: still, before it."""

    shape: str
    seconds: float
    share: float
    way_rad: tuple[float, ...]
    cap_share: float
    pause_ms: float


@dataclass(frozen=True, slots=True)
class Case:
    """Everything of a run but the code."""

    seed: int
    leg: int
    rate_hz: float
    precheck: Literal["whole", "unpowered"]
    home: bool
    start: float  # between the limits of the joints, 0..1
    faults: tuple[Fault, ...]
    motions: tuple[Motion, ...]
    end: Literal["lower", "stop", "close"]


def draw(seed: int, axes: Sequence[int], only: Sequence[str] = ()) -> Case:
    """The case of a seed. axes: how many each leg on offer has. only: kinds to draw from, () = all.

    Which kinds are in the swarm of a seed is a coin for each kind, so that rare combinations come up.
    """
    random = Random(seed)
    leg = random.randrange(len(axes))
    rate = random.choice(RATES_HZ)
    names = list(only) or sorted(KINDS)
    swarm = [name for name in names if random.random() < 0.5] or [random.choice(names)]
    count = 0 if random.random() < FAULTLESS_SHARE else random.choice((1, 1, 1, 2, 2, MOST_FAULTS))
    drawn = [KINDS[random.choice(swarm)].draw(random, axes[leg], rate) for _ in range(count)]
    faults = {fault.kind: fault for fault in drawn}  # one of each kind: filters of one kind would hide each other
    precheck: Literal["whole", "unpowered"] = "whole" if random.random() < PRECHECK_SHARE else "unpowered"
    if precheck == "whole" and random.random() < 0.7:
        rate = min(RATES_HZ)  # a pre-check lasts seconds on the bus: at few cycles a second it costs least
    return Case(
        seed, leg, rate, precheck, random.random() < 0.25, random.uniform(0.25, 0.75), tuple(faults.values()),
        tuple(_motion(random, axes[leg]) for _ in range(random.choice((1, 1, 2)))),
        random.choice(("lower", "lower", "stop", "close")),
    )  # fmt: skip


def _motion(random: Random, axes: int) -> Motion:
    way = tuple(random.uniform(-0.35, 0.35) if random.random() < 0.7 else 0.0 for _ in range(axes))
    return Motion(
        random.choice(SHAPES), random.uniform(0.25, 0.6), random.uniform(0.1, 0.95), way,
        random.choice((0.3, 0.6, 1.0, 1.0)), random.choice((0.0, 0.0, 30.0, 100.0)),
    )  # fmt: skip
