"""What is kept of each run, and what a campaign says when it is over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from legtest.campaign.fault import KINDS
from legtest.campaign.removal import RULES
from legtest.campaign.run import Outcome

LEAST_SHARE = 0.001  # of the runs: a reason that is reached more rarely has hardly been tried
ENOUGH_RUNS = 5000  # for that share to mean anything
HELD_UP_NS = 3_000_000  # above a period and a half: longer than any budget that begins with the violation


class StopRow(NamedTuple):
    """One stop: spans in ns from the violation; None where it did not come, or nobody had to send it.

    held_up: for a time nothing of the host's could leave, and both budgets begin after that.
    """

    rate_hz: float
    expected: str
    held_up: bool
    quick_stop_ns: int | None
    quick_stop_budget_ns: int
    power_off_ns: int | None
    power_off_budget_ns: int


class Row(NamedTuple):
    """One run in short."""

    seed: int
    kinds: tuple[str, ...]
    rules: tuple[str, ...]
    broken: tuple[str, ...]
    stops: tuple[StopRow, ...]
    ended: str


def row_of(outcome: Outcome) -> Row:
    """The short form of an outcome."""
    stops = tuple(
        StopRow(
            outcome.case.rate_hz, s.expected, s.quick_stop_budget_ns > 1.6e9 / outcome.case.rate_hz + HELD_UP_NS,
            None if s.quick_stop_ns is None else max(s.quick_stop_ns - s.violation_ns, 0), s.quick_stop_budget_ns,
            None if s.power_off_ns is None else s.power_off_ns - s.violation_ns, s.power_off_budget_ns,
        )
        for s in outcome.stops
    )  # fmt: skip
    kinds = tuple(dict.fromkeys(fault.kind for _, fault in outcome.fired))
    return Row(
        outcome.case.seed, kinds, outcome.rules, outcome.broken[:6], stops, outcome.ended.partition(":")[0]
    )


@dataclass
class Tally:
    """Counts over all runs so far."""

    runs: int = 0
    stopped: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    kinds_stopped: Counter[str] = field(default_factory=Counter)
    rules: Counter[str] = field(default_factory=Counter)
    broken: dict[str, list[int]] = field(default_factory=dict)
    stops: list[StopRow] = field(default_factory=list)
    reached: dict[str, list[int]] = field(default_factory=dict)  # rule, or fault: seeds that passed, first ones only

    def add(self, row: Row) -> None:
        """One more run."""
        self.runs += 1
        self.stopped += bool(row.rules)
        self.rules.update(row.rules)
        self.stops += row.stops
        for kind in row.kinds:
            self.kinds[kind] += 1
            self.kinds_stopped[kind] += bool(row.rules)
        for text in row.broken:
            self.broken.setdefault(invariant(text), []).append(row.seed)
        if not row.broken:
            for name in (*row.rules, *(f"fault: {kind}" for kind in row.kinds)):
                self.reached.setdefault(name, []).append(row.seed)

    @property
    def seeds_broken(self) -> tuple[int, ...]:
        """Seeds on which something was broken."""
        return tuple(sorted({seed for seeds in self.broken.values() for seed in seeds}))

    def rare(self) -> dict[str, float]:
        """Rules whose reason was reached in too small a share of the runs; empty while there are too few runs."""
        if self.runs < ENOUGH_RUNS:
            return {}
        shares = {rule: self.rules[rule] / self.runs for rule in RULES}
        return {rule: share for rule, share in shares.items() if share < LEAST_SHARE}


def invariant(text: str) -> str:
    """The invariant's number out of a line of `Observer.broken`."""
    words = text.split()
    return next((word for word in words if word[0] == "I" and word[1:].isdigit()), words[0])


def spread(values: Sequence[int]) -> tuple[float, float, float]:
    """Median, 99th percentile and largest, in ms."""
    ordered = sorted(values)
    return tuple(ordered[min(int(q * len(ordered)), len(ordered) - 1)] / 1e6 for q in (0.5, 0.99, 1.0))  # type: ignore[return-value]


def stop_table(stops: Iterable[StopRow]) -> list[tuple[float, str, str, int, tuple[float, float, float], float]]:
    """For each rate and kind of stop: number, median, 99th percentile, largest in ms, largest share of its budget."""
    groups: dict[tuple[float, str, str], list[tuple[int, int]]] = {}
    for stop in stops:
        later = ", held up" if stop.held_up else ""
        if stop.quick_stop_ns is not None and stop.expected in ("off", "stop"):
            key = (stop.rate_hz, stop.expected, f"on the wire{later}")
            groups.setdefault(key, []).append((stop.quick_stop_ns, stop.quick_stop_budget_ns))
        if stop.power_off_ns is not None:
            key = (stop.rate_hz, stop.expected, f"power off{later}")
            groups.setdefault(key, []).append((stop.power_off_ns, stop.power_off_budget_ns))
    return [
        (*key, len(pairs), spread([span for span, _ in pairs]), max(span / budget for span, budget in pairs))
        for key, pairs in sorted(groups.items())
    ]


def as_json(tally: Tally, seconds: float, removals: Sequence[Mapping[str, object]]) -> dict[str, object]:
    """Everything of a campaign as plain data; spans in ms."""
    return {
        "runs": tally.runs,
        "seconds": round(seconds, 3),
        "stopped": tally.stopped,
        "kinds": {kind: {"runs": tally.kinds[kind], "stopped": tally.kinds_stopped[kind]} for kind in sorted(KINDS)},
        "reasons": {rule: tally.rules[rule] for rule in (*RULES, *sorted(set(tally.rules) - set(RULES)))},
        "rare": tally.rare(),
        "broken": {name: sorted(set(seeds)) for name, seeds in sorted(tally.broken.items())},
        "stops": [
            {"rate_hz": rate, "expected": expected, "what": what, "number": number, "p50_ms": p50, "p99_ms": p99,
             "max_ms": most, "largest_share_of_budget": share}
            for rate, expected, what, number, (p50, p99, most), share in stop_table(tally.stops)
        ],
        "removals": list(removals),
    }  # fmt: skip
