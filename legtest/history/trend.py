"""How a leg's quantities develop from run to run: control limits, and marks where something was changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from legtest.history.store import Point, Row
from legtest.metrology.control_charts import ALARMS_PER_RUN, Charted, Limits, Name, chart, limits_of
from legtest.metrology.verdict import Word
from legtest.quantities import QUANTITIES

MOST_POINTS = 60  # of a series in a run's journal
_FLOOR = 0.1  # share of the values' own random uncertainty: no spread below it is believed


@dataclass(frozen=True, slots=True)
class Mark:
    """Something was changed before the run of that instant. subject: the joint it concerns, "" = all.

    restarts: the chart begins anew there: what was measured before says nothing of what comes after.
    """

    when: str
    what: str
    subject: str = ""
    restarts: bool = False


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity over the runs, oldest first, all SI. limits: of the newest. begin: the first value of the chart."""

    leg: str
    test: str
    subject: str
    quantity: str
    n: int
    kind: str
    when: tuple[str, ...]
    values: tuple[float, ...]
    u: tuple[float, ...]
    words: tuple[str, ...]
    limits: tuple[float | None, float | None]
    marks: tuple[Mark, ...]
    begin: int
    charted: Charted

    @property
    def label(self) -> str:
        title = QUANTITIES[self.quantity].title if self.quantity in QUANTITIES else self.quantity.replace("_", " ")
        return f"{self.subject} {title}{f' ({self.n + 1})' if self.n else ''}"

    @property
    def signal(self) -> str:
        """What the chart says of the newest value, "" = nothing."""
        c = self.charted
        if not c.signals:
            return ""
        first = len(c.out) - 1
        while first and c.out[first - 1]:
            first -= 1
        since = "" if first == len(c.out) - 1 else f" since {self.when[self.begin + first][:10]}"
        what, size, limit = str(c.chart), c.statistic[-1], c.limits.drift
        if abs(size) <= limit and abs(c.scores[-1]) > c.limits.single:
            what, size, limit = "jump", c.scores[-1], c.limits.single
        receding = "" if abs(size) > limit else ", receding"
        return f"{what} {'up' if size > 0 else 'down'}{receding}: {abs(size):.2f}, limit {limit:.2f}{since}"

    def body(self) -> dict[str, Any]:
        """The event of the journal that shows this, all SI."""
        first = max(0, len(self.values) - MOST_POINTS)
        shown = [mark for mark in self.marks if mark.when >= self.when[first]]
        c = self.charted
        return {
            "leg": self.leg, "test": self.test, "subject": self.subject, "quantity": self.quantity,
            "when": list(self.when[first:]), "values": list(self.values[first:]), "u": list(self.u[first:]),
            "marks": [{"when": mark.when, "what": mark.what} for mark in shown[-MOST_POINTS:]],
            "centre": c.centre, "low": c.low, "high": c.high, "chart": c.chart, "signal": self.signal,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trends:
    """A leg's series. left_out: runs elsewhere: another bench, stand, mode or simulated leg.

    limits: of every chart, so that all of them together give `alarms_per_run` false alarms in a run.
    """

    leg: str
    rows: tuple[Row, ...]
    left_out: int
    series: tuple[Series, ...]
    chart: Name
    limits: Limits
    alarms_per_run: float

    @property
    def rate_text(self) -> str:
        """The rate of false alarms, in words."""
        one_in = 1 / self.alarms_per_run
        return (
            f"limits set for {len(self.series)} quantities together: one false alarm in {one_in:.0f} runs, "
            f"{30 * self.alarms_per_run:.1f} a month at a run a day"
        )


def trends(
    leg: str,
    rows: Sequence[Row],
    points: Iterable[Point],
    *,
    accepted: Mapping[str, str] | None = None,
    name: Name = "EWMA",
    alarms_per_run: float = ALARMS_PER_RUN,
) -> Trends:
    """The trends of a leg up to the newest of these runs (oldest first); quantities that it lacks are left out.

    accepted: what to say of runs that were accepted as baselines, by uid; each begins its charts anew.
    """
    if not rows:
        return Trends(leg, (), 0, (), name, limits_of(name, 1, alarms_per_run), alarms_per_run)
    here = [row for row in rows if row.place == rows[-1].place]
    by_key: dict[tuple[str, str, str, int], dict[int, Point]] = {}
    for point in points:
        if point.word != Word.INVALID:
            by_key.setdefault(point.key, {})[point.run_id] = point
    current = {key: found for key, found in by_key.items() if here[-1].run_id in found}
    marks = _marks(here, accepted or {})
    limits = limits_of(name, max(1, len(current)), alarms_per_run)
    series = tuple(_series(leg, key, found, here, marks, name, limits) for key, found in sorted(current.items()))
    return Trends(leg, tuple(here), len(rows) - len(here), series, name, limits, alarms_per_run)


def _series(
    leg: str,
    key: tuple[str, str, str, int],
    found: Mapping[int, Point],
    rows: Sequence[Row],
    marks: Sequence[Mark],
    name: Name,
    limits: Limits,
) -> Series:
    test, subject, quantity, n = key
    those = [(row.started, found[row.run_id]) for row in rows if row.run_id in found]
    when, values = tuple(each[0] for each in those), tuple(point.value for _, point in those)
    joints = {drive["joint"] for drive in rows[-1].drives}
    ours = tuple(mark for mark in marks if mark.subject in ("", subject) or subject not in joints)
    restart = max((mark.when for mark in ours if mark.restarts), default="")
    begin = next((i for i, instant in enumerate(when) if instant >= restart), len(when) - 1)
    floor = _FLOOR * median(point.u_random for _, point in those)
    charted = chart(values[begin:], limits, name=name, floor=floor)
    return Series(
        leg, test, subject, quantity, n, those[-1][1].kind, when, values, tuple(point.u for _, point in those),
        tuple(point.word for _, point in those), (those[-1][1].low, those[-1][1].high), ours, begin, charted,
    )  # fmt: skip


def _marks(rows: Sequence[Row], accepted: Mapping[str, str]) -> list[Mark]:
    """What changed from each run to the next."""
    marks = []
    for before, row in zip((None, *rows), rows, strict=False):
        if row.uid and row.uid in accepted:
            marks.append(Mark(row.started, accepted[row.uid], restarts=True))
        if before is None:
            continue
        marks += _drives(before, row)
        if before.sha256 != row.sha256:
            marks.append(Mark(row.started, "leg file changed"))
        if before.faults != row.faults:
            marks.append(Mark(row.started, f"faults put in: {row.faults or 'none'}"))
        if before.legtest != row.legtest:
            marks.append(Mark(row.started, f"legtest {before.legtest} -> {row.legtest}"))
    return marks


def _drives(before: Row, row: Row) -> Iterable[Mark]:
    known = {drive["joint"]: drive for drive in before.drives}
    for drive in row.drives:
        was = known.get(drive["joint"], drive)
        joint = str(drive["joint"])
        for key, title in (("serial", "drive, serial"), ("declared_firmware", "declared firmware"),
                           ("revision", "revision"), ("product", "product code"), ("vendor", "vendor")):  # fmt: skip
            if was.get(key) != drive.get(key):
                then, now = (each.get(key) for each in (was, drive))
                yield Mark(row.started, f"{joint} {title} {_or(then)} -> {_or(now)}", joint, restarts=True)


def _or(value: object) -> str:
    return "not stated" if value in (None, "") else str(value)
