"""What a run's journal says beside the limits: the change against a baseline, and the trend over earlier runs.

Both are their own judgement. Neither is merged into the verdict by the limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any

from markupsafe import Markup

from legtest.quantities import QUANTITIES
from legtest.records.reading import Run
from legtest.reports.interval import spark_svg
from legtest.reports.numbers import fixed, places_of
from legtest.units import KINDS, display_unit, in_unit

EQUIVALENT = "equivalent"
# Worst first; another word counts as the worst.
OUTCOMES = ("different", "undecided", "refused", EQUIVALENT)


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity against the baseline. difference and U: text in `unit`, "" when it was refused."""

    leg: str
    test: str
    subject: str
    quantity: str
    outcome: str
    baseline: str
    baseline_run: str
    difference: str
    expanded: str
    margin: str
    coverage: str
    unit: str
    repeats: int | None
    reason: str

    @property
    def numbers(self) -> str:
        """ "+0.012 ± 0.030", or nothing."""
        return f"{self.difference} ± {self.expanded}" if self.difference else ""

    @property
    def headline(self) -> str:
        """One line, number first."""
        unit = f" {self.unit}" if self.unit else ""
        coverage = f" ({self.coverage})" if self.coverage else ""  # not that of the verdict by the limits
        moved = f"changed {self.difference}{unit}, U {self.expanded}{unit}{coverage}"
        moved = moved if self.difference else "not compared"
        margin = f", margin {self.margin}{unit}" if self.margin else ""
        more = f"; {self.repeats} repeats needed" if self.repeats else ""
        why = f"; {self.reason}" if self.reason else ""
        return f"{self.subject} {title_of(self.quantity)} {moved}{margin}: {self.outcome}{more}{why}"


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity over runs. signal: what the control chart says, "" = nothing. word: the same for a table."""

    signal: str
    word: str
    count: int
    first: str
    last: str
    chart: str
    svg: Markup | None
    said: str


Key = tuple[str, str, str, str]


@dataclass(frozen=True)
class Beside:
    """All changes and trends of a run, by leg, test (without folders), subject and quantity, in their order."""

    changes: tuple[Change, ...]
    by_key: Mapping[Key, tuple[Change, ...]]
    trends: Mapping[Key, tuple[Mapping[str, Any], ...]]

    def change(self, key: Key, n: int) -> Change | None:
        """That of the n-th value of this key, counted from 0."""
        found = self.by_key.get(key, ())
        return found[n] if n < len(found) else None

    def trend(self, key: Key, n: int, kind: str) -> Trend | None:
        """That of the n-th value of this key, in the display unit of `kind`."""
        # A trend that names no test is of all tests.
        found = self.trends.get(key) or self.trends.get((key[0], "", *key[2:]), ())
        return _trend(found[n], display_unit(kind)) if n < len(found) else None

    @property
    def charted(self) -> int:
        """How many trends there are."""
        return sum(map(len, self.trends.values()))

    @property
    def waiting(self) -> int:
        """How many of them have too few runs to signal anything yet."""
        return sum(not _has_limits(body) for bodies in self.trends.values() for body in bodies)

    @property
    def outcome(self) -> str:
        """The worst outcome, "" when nothing was compared."""
        return min((c.outcome for c in self.changes), key=_rank, default="")

    @property
    def counts(self) -> dict[str, int]:
        found = [c.outcome for c in self.changes]
        return {word: found.count(word) for word in sorted(set(found), key=_rank)}

    @property
    def baselines(self) -> tuple[str, ...]:
        """The baselines compared with, and the runs they are; a run that was given itself has no name."""
        named = ((c.baseline, f"run {c.baseline_run}" if c.baseline_run else "") for c in self.changes)
        return tuple(dict.fromkeys(f"{name} ({run})" if name and run else name or run for name, run in named))

    @property
    def signals(self) -> tuple[str, ...]:
        """What the control charts signal, in words."""
        return tuple(
            f"{subject} {title_of(quantity)}: {body.get('signal')}"
            for (_, _, subject, quantity), bodies in self.trends.items()
            for body in bodies
            if body.get("signal")
        )


def title_of(quantity: str) -> str:
    """A quantity's title from the catalogue, or its name in words."""
    known = QUANTITIES.get(quantity)
    return known.title if known else quantity.replace("_", " ")


def key_of(leg: str, test: str, subject: str, quantity: str) -> Key:
    """What a change or a trend is found by. Runs are compared from any folder, so that of the test does not count."""
    file, mark, rest = test.partition("::")
    return leg, file.rpartition("/")[2] + mark + rest, subject, quantity


def beside(run: Run, kinds: Mapping[tuple[str, str], str]) -> Beside:
    """kinds: the kind of value of each (subject, quantity) of the run."""
    changes = [_change(body, kinds) for body in run.bodies("comparison")]
    by_key: dict[Key, tuple[Change, ...]] = {}
    for each in changes:
        key = key_of(each.leg, each.test, each.subject, each.quantity)
        by_key[key] = (*by_key.get(key, ()), each)
    trends: dict[Key, tuple[Mapping[str, Any], ...]] = {}
    for body in run.bodies("trend"):
        key = key_of(*(_text(body, name) for name in ("leg", "test", "subject", "quantity")))
        trends[key] = (*trends.get(key, ()), body)
    return Beside(tuple(changes), by_key, trends)


def _change(body: Mapping[str, Any], kinds: Mapping[tuple[str, str], str]) -> Change:
    subject, quantity = _text(body, "subject"), _text(body, "quantity")
    kind = kinds.get((subject, quantity), "ratio")
    unit = display_unit(kind if kind in KINDS else "ratio")
    difference, u, margin = (_number(body.get(key)) for key in ("difference", "U", "margin"))
    places = places_of(in_unit(u, unit)) if u is not None else 4
    repeats = body.get("repeats_needed")
    shown = difference is not None and u is not None
    return Change(
        _text(body, "leg"), _text(body, "test"), subject, quantity, _text(body, "outcome") or "no outcome",
        _text(body, "baseline"), _text(body, "baseline_run"),
        _signed(in_unit(difference, unit), places) if difference is not None and shown else "",
        fixed(in_unit(u, unit), places) if u is not None and shown else "",
        f"{in_unit(margin, unit):.4g}" if margin is not None else "",
        f"{100 * coverage:g} %" if (coverage := _number(body.get("coverage"))) else "", "" if unit == "1" else unit,
        repeats if isinstance(repeats, int) and not isinstance(repeats, bool) and repeats > 0 else None,
        _text(body, "reason"),
    )  # fmt: skip


def _trend(body: Mapping[str, Any], unit: str) -> Trend:
    given = body.get("values")
    values = [_number(v) for v in given] if isinstance(given, list) else []
    shown = [in_unit(v, unit) if v is not None else float("nan") for v in values]
    low, high, centre = (_number(body.get(key)) for key in ("low", "high", "centre"))
    in_low, in_high = (None if v is None else in_unit(v, unit) for v in (low, high))
    when = [str(w) for w in body.get("when", [])] if isinstance(body.get("when"), list) else []
    signal, chart = _text(body, "signal"), _text(body, "chart")
    ends = [f"{end:.4g}" if end is not None else "open" for end in (in_low, in_high)]
    bounds = f", {chart} limits {ends[0]} to {ends[1]} {unit}" if _has_limits(body) else ""
    word = signal or ("no signal" if _has_limits(body) else "too few runs")
    middle = f", centre {in_unit(centre, unit):.4g}" if centre is not None else ""
    said = f"{len(values)} runs{bounds}{middle}; {word}"
    us = [u for u in map(_number, body["u"]) if u is not None] if isinstance(body.get("u"), list) else []
    least = 4 * in_unit(max(us, default=0.0), unit)
    svg = spark_svg(shown, in_low, in_high, _changes_at(body, when), f"trend: {said}", least)
    return Trend(signal, word, len(values), when[0] if when else "", when[-1] if when else "", chart, svg, said)


def _has_limits(body: Mapping[str, Any]) -> bool:
    """Whether the chart has learned enough to signal."""
    return any(_number(body.get(key)) is not None for key in ("low", "high"))


def _changes_at(body: Mapping[str, Any], when: list[str]) -> list[int]:
    """Which value was the first after each change of a part."""
    marks = body.get("marks")
    found = []
    for mark in marks if isinstance(marks, list) else []:
        at = _instant(mark.get("when")) if isinstance(mark, dict) else None
        after = [n for n, each in enumerate(when) if at is not None and (t := _instant(each)) is not None and t >= at]
        found += after[:1]
    return found


def _instant(text: object) -> float | None:
    try:
        return datetime.fromisoformat(str(text)).timestamp()
    except (ValueError, OverflowError, OSError):
        return None


def _signed(x: float, places: int) -> str:
    text = fixed(x, places)
    return text if text.startswith("-") or not text.strip("0.") else f"+{text}"


def _number(value: object) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value):
        return float(value)
    return None


def _text(body: Mapping[str, Any], key: str) -> str:
    value = body.get(key)
    return value if isinstance(value, str) else ""


def _rank(outcome: str) -> int:
    return OUTCOMES.index(outcome) if outcome in OUTCOMES else -1
