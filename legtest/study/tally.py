"""What the rows of a study say: how healthy legs fared, what noticed each fault, whether the uncertainties hold."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from legtest.metrology.combine import coverage_factor

COVERAGE = 0.95
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Healthy:
    """Healthy legs of one description. troubles: what kept a seed from passing whole, one sentence each."""

    leg: str
    seeds: int
    passed: int
    troubles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Detection:
    """One fault, one leg. failed: seeds with at least one FAIL verdict, of `seeds`.

    noticed: quantity -> seeds on which it failed, most first. expected: those that the fault's entry names.
    open: seeds without a FAIL, but with an inconclusive or invalid verdict or a bench error.
    """

    fault: str
    leg: str
    seeds: int
    failed: int
    noticed: Mapping[str, int]
    expected: tuple[str, ...]
    open: int

    @property
    def share(self) -> float:
        return self.failed / self.seeds


@dataclass(slots=True)
class Honesty:
    """Healthy measurements of a quantity against the truth of the simulated parts, in the quantity's SI unit.

    bias, sd: of measured minus true; u: root mean square of the stated standard uncertainty; covered: how many of n
    intervals of 95 % hold the true value.
    """

    quantity: str
    n: int
    bias: float
    sd: float
    u: float
    covered: int


@dataclass(slots=True)
class _Sums:
    errors: list[float] = field(default_factory=list)
    us: list[float] = field(default_factory=list)
    covered: int = 0


def healthy(rows: Iterable[Row]) -> list[Healthy]:
    """One entry for each leg, in the order of the rows. A seed passes whole when pytest exits 0."""
    by_leg: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if not row["fault"]:
            by_leg[row["leg_name"]].append(row)
    return [
        Healthy(leg, len(found), sum(r["exit"] == 0 for r in found), tuple(t for r in found for t in _troubles(r)))
        for leg, found in by_leg.items()
    ]


def _troubles(row: Row) -> list[str]:
    seed = f"seed {row['seed']}"
    judged = [v for v in row["verdicts"] if v["word"] in ("fail", "inconclusive", "invalid")]
    said = [f"{seed}: {v['subject']} {v['quantity']} {v['word']}" for v in judged]
    tests = {v["test"] for v in judged}
    ended = ((test, word) for test, word in row["tests"].items() if test not in tests)
    said += [f"{seed}: {test} {word}" for test, word in ended if word not in ("pass", "no limit set")]
    return said or ([f"{seed}: pytest exit code {row['exit']}"] if row["exit"] else [])


def detections(rows: Iterable[Row]) -> list[Detection]:
    """One entry for each fault, size and leg, in the order of the rows."""
    from legtest.simulation.faults import FAULTS, parse_fault

    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row["fault"]:
            groups[row["fault"], row["leg_name"]].append(row)
    result = []
    for (fault, leg), found in groups.items():
        failed = [{v["quantity"] for v in row["verdicts"] if v["word"] == "fail"} for row in found]
        result.append(
            Detection(
                fault, leg, len(found), sum(map(bool, failed)),
                dict(Counter(q for quantities in failed for q in sorted(quantities)).most_common()),
                FAULTS[parse_fault(fault).name].noticed_by,
                sum(not names and row["exit"] != 0 for names, row in zip(failed, found, strict=True)),
            )
        )  # fmt: skip
    return result


def honesty(rows: Iterable[Row]) -> list[Honesty]:
    """One entry for each quantity whose truth the parts say, over all legs, joints and seeds of healthy rows."""
    sums: dict[str, _Sums] = defaultdict(_Sums)
    for row in rows:
        for v in row["verdicts"]:
            if row["fault"] or v["true"] is None or v["word"] == "invalid":
                continue
            error, each = v["value"] - v["true"], sums[v["quantity"]]
            each.errors.append(error)
            each.us.append(v["u"])
            each.covered += abs(error) <= coverage_factor(v["dof"], COVERAGE) * v["u"]
    return [_honesty(quantity, each) for quantity, each in sorted(sums.items())]


def _honesty(quantity: str, each: _Sums) -> Honesty:
    n = len(each.errors)
    bias = sum(each.errors) / n
    sd = sqrt(sum((e - bias) ** 2 for e in each.errors) / (n - 1)) if n > 1 else float("nan")
    return Honesty(quantity, n, bias, sd, sqrt(sum(u * u for u in each.us) / n), each.covered)


def versions(rows: Iterable[Row]) -> int:
    """How many versions of the code the rows come from; more than one is worth a warning."""
    return len({row["code"] for row in rows})
