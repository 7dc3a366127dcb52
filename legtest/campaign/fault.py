"""One fault: what, when, where, how much, how long; and the table that all kinds stand in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from legtest.campaign.leg import CampaignLeg

MS = 1_000_000
# Edges a fault can hang on, and how long after it at most, ms.
EDGES = {"begin": 900, "enable": 120, "motion": 420, "stop": 40, "step": 60, "frame": 0}


@dataclass(frozen=True, slots=True)
class Trigger:
    """edge: what it waits for; count: the how-manieth time; after_ns: and then so long."""

    edge: str
    count: int
    after_ns: int

    def __str__(self) -> str:
        which = f" {self.count}" if self.count > 1 else ""
        return f"{self.edge}{which} + {self.after_ns / 1e6:.1f} ms"


@dataclass(frozen=True, slots=True)
class Fault:
    """kind @ trigger x target x magnitude x duration. axis: -1 where it has none; size in the kind's own unit."""

    kind: str
    trigger: Trigger
    axis: int
    size: float
    span_ns: int

    def __str__(self) -> str:
        unit = KINDS[self.kind].unit
        where = f" axis {self.axis}" if self.axis >= 0 else ""
        size = f" {self.size:.4g} {unit}" if unit else ""
        span = f" for {self.span_ns / 1e6:.1f} ms" if self.span_ns else ""
        return f"{self.kind} @ {self.trigger}{where}{size}{span}"


Apply = Callable[["CampaignLeg", Fault], None]


@dataclass(frozen=True, slots=True)
class Kind:
    """A class of faults. size: range it is drawn from (log-uniform above zero); span_ms: range of its duration.

    edges: what it may hang on. where: the part of the world it belongs to.
    """

    name: str
    where: str
    unit: str
    size: tuple[float, float]
    span_ms: tuple[float, float]
    edges: tuple[str, ...]
    on_axis: bool
    apply: Apply

    def draw(self, random: Random, axes: int, rate_hz: float) -> Fault:
        """One fault of this kind."""
        edge = random.choice(self.edges)
        count = random.randrange(1, 400) if edge == "frame" else random.choice((1, 1, 1, 2))
        if edge == "step":
            count = random.randrange(1, 9 + 3 * axes)
        after = round(random.uniform(0.0, EDGES[edge]) * MS)
        axis = random.randrange(axes) if self.on_axis else -1
        span = round(_between(random, self.span_ms) * MS)
        if self.unit == "cycles":
            return Fault(self.name, Trigger(edge, count, after), axis, float(round(_between(random, self.size))), span)
        return Fault(self.name, Trigger(edge, count, after), axis, _between(random, self.size), span)


def _between(random: Random, span: tuple[float, float]) -> float:
    low, high = span
    if low == high:
        return low
    if low <= 0.0:
        return random.uniform(low, high)
    return float(low * (high / low) ** random.random())


KINDS: dict[str, Kind] = {}
POWERED = ("enable", "motion", "motion", "motion", "stop")
ANYTIME = (*POWERED, "begin", "step")
MOVING = ("motion",)


def kind(
    where: str, *, unit: str = "", size: tuple[float, float] = (0.0, 0.0), span_ms: tuple[float, float] = (0.0, 0.0),
    edges: tuple[str, ...] = POWERED, on_axis: bool = False,
) -> Callable[[Apply], Apply]:  # fmt: skip
    """Enter a function into the table under its own name."""

    def enter(apply: Apply) -> Apply:
        name = getattr(apply, "__name__", "").replace("_", " ")
        KINDS[name] = Kind(name, where, unit, size, span_ms, edges, on_axis, apply)
        return apply

    return enter
