"""The cases of a study: a leg, a seed, and at most one fault in it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from legtest.description import read_leg

if TYPE_CHECKING:
    from legtest.simulation.faults import FaultCase


class Case(NamedTuple):
    """One run of the suite. fault: as `--leg-fault` takes it, "" for a healthy leg; select: pytest's -k, "" for all."""

    leg: str
    leg_name: str
    leg_sha256: str
    seed: int
    fault: str
    select: str

    @property
    def key(self) -> str:
        """What makes two cases the same: not where the leg's file lies, but what is in it."""
        return f"{self.leg_name}/{self.leg_sha256}/{self.seed}/{self.fault}/{self.select}"

    def __str__(self) -> str:
        return f"{self.leg_name}, seed {self.seed}, {self.fault or 'healthy'}"


def cases(
    legs: Iterable[str],
    seeds: Iterable[int],
    faults: Sequence[str],
    *,
    half: bool = False,
    healthy: bool = True,
    select: str = "",
) -> list[Case]:
    """Every leg with every seed, healthy and with each fault; the healthy ones first.

    faults: as `--leg-fault` takes them. half: each that has a half once more at half its size. healthy=False: the
    faulty ones alone.
    Raises DescriptionError for a leg file and UsageError for a fault that cannot be.
    """
    from legtest.simulation.faults import FAULTS, parse_fault

    wanted = [parse_fault(text) for text in faults]
    if half:
        wanted += [_half(case) for case in wanted if FAULTS[case.name].halves]
    texts = [*([""] if healthy else []), *dict.fromkeys(map(str, wanted))]
    descriptions = [(path, read_leg(path)) for path in legs]
    return [
        Case(path, leg.name, leg.sha256, seed, text, select)
        for text in texts
        for path, leg in descriptions
        for seed in seeds
    ]


def _half(case: FaultCase) -> FaultCase:
    """Half way to no fault: a factor does nothing at 1, every other size at 0."""
    from legtest.simulation.faults import FAULTS

    fault = FAULTS[case.name]
    none = 0.0 if fault.low <= 0.0 <= fault.high else 1.0
    return case._replace(size=(case.size + none) / 2)


def key_of(row: dict[str, Any]) -> str:
    """The key of the case that a row of results is of."""
    return Case(*(row[name] for name in Case._fields)).key
