"""Two runs compared, quantity by quantity: equivalent, different, undecided, or refused with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, isclose, isfinite
from typing import Any

from legtest.history.conditions import conditions_differ, others_changed, parts_changed, places_differ
from legtest.history.snapshot import Key, Snapshot, Value
from legtest.metrology.equivalence import COVERAGE, Equivalence, Outcome, compare
from legtest.metrology.verdict import Word
from legtest.quantities import QUANTITIES
from legtest.units import show

_FEWEST_DOF = 0.5  # degrees of freedom below which an uncertainty is none
_NOT_COMPARED = "not compared"
_WORST_FIRST = (Outcome.DIFFERENT, Outcome.UNDECIDED, Outcome.REFUSED, Outcome.EQUIVALENT)


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity of two runs; old or new is missing where only one of them has it.

    reason: of a refusal. counts: whether a refusal keeps the comparison from having been made; it does not for a
    quantity that nobody has set a margin for, or that only one run was asked for.
    """

    key: Key
    outcome: Outcome
    new: Value | None
    old: Value | None
    result: Equivalence | None = None
    reason: str = ""
    counts: bool = True

    @property
    def label(self) -> str:
        leg, _, subject, quantity, n = self.key
        title = QUANTITIES[quantity].title if quantity in QUANTITIES else quantity.replace("_", " ")
        return f"{leg} {subject} {title}{f' ({n + 1})' if n else ''}"

    @property
    def line(self) -> str:
        """The number first, then the word."""
        found = self.new or self.old
        if self.result is None or found is None:
            return f"{self.label}: {self.outcome}: {self.reason}"
        r, kind = self.result, found.measurement.kind
        text = (
            f"{self.label}: moved by {show(r.difference, kind)}, U {show(r.expanded, kind)} ({COVERAGE:.0%}), "
            f"margin {show(r.margin, kind)}: {self.outcome}"
        )
        if self.outcome is not Outcome.UNDECIDED:
            return text
        if r.repeats_needed is None:
            return f"{text}; repeating this run would not settle it: a better method or a better baseline would"
        return f"{text}; about {r.repeats_needed} runs like this one would settle it if their mean stays there"

    def body(self, baseline: str, baseline_run: str) -> dict[str, Any]:
        """The event of the journal that says this, all SI."""
        leg, test, subject, quantity, _ = self.key
        r = self.result
        value = self.old.measurement.value if self.old else None
        margin = r.margin if r else (self.new.margin if self.new else None)
        return {
            "leg": leg, "test": self.new.test if self.new else test, "subject": subject, "quantity": quantity,
            "baseline": baseline, "baseline_run": baseline_run, "baseline_value": value, "outcome": self.outcome.value,
            "difference": r.difference if r else None, "U": r.expanded if r else None, "margin": margin,
            "coverage": COVERAGE, "repeats_needed": r.repeats_needed if r else None, "reason": self.reason,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Comparison:
    """A run beside another one. refused: why nothing of it was compared. changes: what else differs, in words."""

    new: Snapshot
    old: Snapshot
    rows: tuple[Compared, ...]
    refused: str
    changes: tuple[str, ...]

    @property
    def outcome(self) -> Outcome:
        """The worst of the rows that count; refused when nothing could be compared."""
        found = {row.outcome for row in self.rows if row.counts}
        return next((o for o in _WORST_FIRST if o in found), Outcome.REFUSED)

    @property
    def counts(self) -> Mapping[str, int]:
        """How many rows ended in each outcome, worst first, without zeros; last those that do not count."""
        words = [row.outcome.value if row.counts else _NOT_COMPARED for row in self.rows]
        order = (*(outcome.value for outcome in _WORST_FIRST), _NOT_COMPARED)
        return {word: words.count(word) for word in order if word in words}


def compare_runs(new: Snapshot, old: Snapshot) -> Comparison:
    """Compare a run with an earlier one. Rows come in the order of the run, those of the earlier alone last."""
    parts = parts_changed(new, old)
    refused = places_differ(new, old)
    ours, theirs = ({value.key: value for value in each.values} for each in (new, old))
    if not refused and not ours.keys() & theirs.keys():
        refused = f"no quantity of the same leg and test in both: {_names(new)} now, {_names(old)} then"
    rows = tuple(
        Compared(key, Outcome.REFUSED, ours.get(key), theirs.get(key), reason=refused)
        if refused
        else _compared(key, ours.get(key), theirs.get(key), shared=not parts)
        for key in dict.fromkeys([*ours, *theirs])
    )
    return Comparison(new, old, rows, refused, (*parts, *others_changed(new, old)))


def _names(snapshot: Snapshot) -> str:
    return f"{len(snapshot.values)} of {', '.join(snapshot.legs)}"


def _compared(key: Key, new: Value | None, old: Value | None, *, shared: bool) -> Compared:
    if new is None or old is None:
        reason = "not measured in this run" if new is None else "the baseline has no such value"
        return Compared(key, Outcome.REFUSED, new, old, reason=reason, counts=False)
    if new.margin is None:
        return Compared(key, Outcome.REFUSED, new, old, reason=new.margin_from, counts=False)
    reason = _invalid(new, "this run") or _invalid(old, "the baseline")
    reason = reason or conditions_differ(new.measurement, old.measurement)
    if reason:
        return Compared(key, Outcome.REFUSED, new, old, reason=reason)
    result = compare(new.measurement, old.measurement, new.margin, shared=shared)
    return Compared(key, result.outcome, new, old, result)


def _invalid(value: Value, whose: str) -> str:
    m = value.measurement
    if value.word == Word.INVALID or m.invalid or not (isfinite(m.value) and isfinite(m.u) and m.u > 0):
        return f"the value of {whose} is invalid{f': {m.invalid}' if m.invalid else ''}"
    # A record may come from anywhere. Without this one that states no budget would be equivalent to anything near.
    sound = all(line.u >= 0 and line.dof >= _FEWEST_DOF for line in m.budget)
    if not sound or not isclose(hypot(*(line.u for line in m.budget)), m.u, rel_tol=1e-6):
        return f"the uncertainty budget of {whose} does not add up"
    return ""
