"""Limits proposed from what a leg did in at least ten runs, beside those of its file. Only a person changes that.

The interval that holds 95 % of such runs with 95 % confidence (ISO 16269-6, two-sided, exact factor), widened by the
largest expanded uncertainty, so that a guarded decision accepts what lies in the interval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor, isfinite, log10
from typing import NamedTuple

from legtest.description.model import LegDescription, Limit
from legtest.errors import RecordError, UsageError
from legtest.history.snapshot import Key, Snapshot, Value
from legtest.metrology.combine import expanded
from legtest.metrology.statistics import mean, sd, tolerance_factor
from legtest.metrology.verdict import Word
from legtest.quantities import QUANTITIES
from legtest.records.reading import Run
from legtest.units import display_unit, in_unit, show

LEAST_RUNS = 10
CONTENT = CONFIDENCE = 0.95
_FAILED = ("fail", "error", "bench error", "not judged")


@dataclass(frozen=True, slots=True)
class Proposal:
    """Limits of one quantity, SI. joint: whose, "" = of the leg. notes: where they come from, one for each test.

    drawing: what the leg's file says now.
    """

    joint: str
    quantity: str
    kind: str
    low: float
    high: float
    notes: tuple[str, ...]
    drawing: Limit | None


@dataclass(frozen=True, slots=True)
class Proposed:
    """What `propose` found. left_out: what has no proposal, with the reason."""

    leg: str
    mode: str
    runs: tuple[str, ...]
    first: str
    last: str
    coverage: float
    proposals: tuple[Proposal, ...]
    left_out: tuple[str, ...]


class _Interval(NamedTuple):
    """Of one quantity in one test."""

    low: float
    high: float
    kind: str
    note: str


def check_run(run: Run) -> None:
    """Raises RecordError for a run that says nothing about a sound leg: unsealed, changed, or failed."""
    if run.problem:
        raise RecordError(f"{run.folder}: no limits from it: {run.problem}")
    failed = [test for test in run.tests if test.word in _FAILED]
    if failed:
        more = f" and {len(failed) - 1} more" if len(failed) > 1 else ""
        raise RecordError(f"{run.folder}: no limits from a failed run: {failed[0].test}: {failed[0].word}{more}")
    if len(run.header.legs) != 1:
        names = ", ".join(leg.name for leg in run.header.legs)
        raise UsageError(f"{run.folder}: a run of several legs ({names}): take runs of one leg alone")


def propose(runs: Sequence[Snapshot], leg: LegDescription) -> Proposed:
    """Limits for every quantity that was measured soundly in ten runs or more.

    leg: as its file says it now. Raises UsageError for fewer runs, one twice, or some that do not belong together.
    """
    _check_together(runs)
    series: dict[Key, list[Value]] = {}
    for run in runs:
        for value in run.values:
            series.setdefault(value.key, []).append(value)
    left_out: list[str] = []
    found: dict[tuple[str, str], list[_Interval]] = {}
    for key, values in series.items():
        sound = [v for v in values if v.word != Word.INVALID.value and isfinite(v.measurement.u)]
        reason = _why_not(sound)
        m = values[0].measurement
        if reason:
            left_out.append(f"{m.subject} {m.quantity} of {key[1]}: {reason}")
            continue
        joint = m.subject if m.subject in leg.joint_names else ""
        found.setdefault((joint, m.quantity), []).append(_interval(sound, leg.decision.coverage))
    proposals = [
        Proposal(
            joint, quantity, each[0].kind, min(e.low for e in each), max(e.high for e in each),
            tuple(e.note for e in each), leg.criteria.limit(quantity, joint),
        )
        for (joint, quantity), each in found.items()
    ]  # fmt: skip
    days = sorted(run.started[:10] for run in runs)
    names = tuple(run.run for run in runs)
    proposals.sort(key=lambda p: p.joint)
    return Proposed(
        leg.name, runs[0].mode, names, days[0], days[-1], leg.decision.coverage, tuple(proposals), tuple(left_out)
    )


def _check_together(runs: Sequence[Snapshot]) -> None:
    if len(runs) < LEAST_RUNS:
        raise UsageError(f"{len(runs)} runs: a limit needs at least {LEAST_RUNS}, or its interval says nothing")
    first = runs[0]
    for n, run in enumerate(runs):
        for earlier in runs[:n]:
            if run.uid == earlier.uid:
                raise UsageError(f"{run.run} is the same run as {earlier.run}: each counts once")
            if run.seed is not None and run.seed == earlier.seed:
                raise UsageError(
                    f"{run.run} and {earlier.run} have the same --leg-seed {run.seed}: nothing varies between them"
                )
        if run.faults:
            raise UsageError(f"{run.run}: a fault was put in ({', '.join(run.faults)})")
        for what, mine, other in (
            ("leg", sorted(run.legs), sorted(first.legs)),
            ("drives", run.drives, first.drives),
            ("mode", run.mode, first.mode),
            ("bench or stand", run.setting, first.setting),
        ):
            if mine != other:
                raise UsageError(f"{run.run} and {first.run} differ in {what}: limits come from one leg on one bench")


def _why_not(sound: Sequence[Value]) -> str:
    if len(sound) < LEAST_RUNS:
        return f"{len(sound)} sound values, at least {LEAST_RUNS} are needed"
    m = sound[0].measurement
    if m.quantity not in QUANTITIES:
        return "a quantity of your own: give its limit to judge(...)"
    if max(v.measurement.u for v in sound) <= 0 and sd([v.measurement.value for v in sound]) <= 0:
        return "neither spread nor uncertainty"
    return ""


def _interval(sound: Sequence[Value], coverage: float) -> _Interval:
    measurements = [v.measurement for v in sound]
    kind, values = measurements[0].kind, [m.value for m in measurements]
    centre, s, k = mean(values), sd(values), tolerance_factor(len(values), CONTENT, CONFIDENCE)
    u = max(expanded(m, coverage) for m in measurements)
    reach = k * s + u
    note = f"n {len(values)}, mean {show(centre, kind)}, s {show(s, kind, 2)}, k {k:.3f}, U {show(u, kind, 2)}"
    return _Interval(centre - reach, centre + reach, kind, note)


def yaml_lines(found: Proposed, signed: str = "") -> Iterator[str]:
    """The proposal as a block for the leg's file. signed: who accepted it, when and why; "" = nobody."""
    yield f"# Proposed for {found.leg} from {len(found.runs)} runs, {found.mode}, {found.first} to {found.last}:"
    yield from (f"#   {run}" for run in found.runs)
    yield f"# two-sided tolerance interval {CONTENT:.0%} / {CONFIDENCE:.0%}, widened by U ({found.coverage:.0%})."
    yield f"# {signed or 'Nobody has accepted it.'}"
    yield "criteria:"
    joint = ""
    for each in found.proposals:
        if each.joint != joint:
            joint = each.joint
            yield f"  {joint}:"
        indent = "    " if joint else "  "
        yield from (f"{indent}# {note}" for note in each.notes)
        yield f"{indent}# {_beside(each)}"
        yield f"{indent}{each.quantity}: {{{_form(each)}}}"
    yield from (f"# left out: {line}" for line in found.left_out)


def _form(p: Proposal) -> str:
    """As a criterion is written, rounded outwards to three digits of its width; a margin of the file stays."""
    low, high = _rounded(p)
    sides = _sides(p)
    text = {"high": f'at_most: "{high}"', "low": f'at_least: "{low}"', "both": f'between: ["{low}", "{high}"]'}[sides]
    margin = p.drawing.margin if p.drawing else None
    return text if margin is None else f'{text}, margin: "{show(margin, p.kind, 6)}"'


def _sides(p: Proposal) -> str:
    """Which sides the drawing limits; both where it has no limit."""
    if p.drawing is None or (p.drawing.low is None) == (p.drawing.high is None):
        return "both"
    return "high" if p.drawing.low is None else "low"


def _rounded(p: Proposal) -> tuple[str, str]:
    unit = display_unit(p.kind)
    low, high = in_unit(p.low, unit), in_unit(p.high, unit)
    exponent = floor(log10(high - low)) - 2
    scale, digits = 10.0**-exponent, max(0, -exponent)
    texts = (f"{floor(low * scale) / scale:.{digits}f}", f"{-floor(-high * scale) / scale:.{digits}f}")
    low_text, high_text = texts if unit == "1" else (f"{text} {unit}" for text in texts)
    return low_text, high_text


def _beside(p: Proposal) -> str:
    d = p.drawing
    if d is None or (d.low is None and d.high is None):
        return "the drawing has no limit"
    if d.low is None or d.high is None:
        bound = d.high if d.low is None else d.low
        text = f"at {'most' if d.low is None else 'least'} {show(bound or 0.0, d.kind)}"
    else:
        text = f"{show(d.low, d.kind)} to {show(d.high, d.kind)}"
    beyond = (d.high is not None and p.high > d.high) or (d.low is not None and p.low < d.low)
    return f"drawing: {text} ({d.where}){', and this is WIDER' if beyond else ''}"
