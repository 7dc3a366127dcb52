"""A stretch under way: checked whole before its first frame, then read off cycle by cycle."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite

from legtest.canbus.wiremap import Point
from legtest.errors import NotPermitted
from legtest.safety.permit import Grant
from legtest.safety.rules import Rules
from legtest.safety.stretch import Stretch

LONGEST_ROWS = 200_000
ROWS_AT_ONCE = 100  # about a millisecond of checking


class Player:
    """Gives the set-points of a stretch at any instant; rows are linear between their times."""

    def __init__(self, stretch: Stretch, start_ns: int) -> None:
        self._times = stretch.times_ns
        self._rows = stretch.rows
        self._start = start_ns
        self._at = 0
        self.end_ns = start_ns + stretch.times_ns[-1]
        self.void_ns = self.end_ns + stretch.hold_ns

    def at(self, instant_ns: int) -> tuple[Point, ...]:
        """The row at an instant; instants must not go backwards. Before the start: the first row; after: the last."""
        t = instant_ns - self._start
        times, i = self._times, self._at
        last = len(times) - 1
        while i < last and times[i + 1] <= t:
            i += 1
        self._at = i
        row = self._rows[i]
        if i == last or t <= times[i]:
            return row
        share = (t - times[i]) / (times[i + 1] - times[i])
        return tuple(
            Point(a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), a[2] + share * (b[2] - a[2]))
            for a, b in zip(row, self._rows[i + 1], strict=True)
        )


def check(
    stretch: Stretch,
    grant: Grant,
    rules: Rules,
    demand: Callable[[], Sequence[Point]],
    homed: bool,
    meanwhile: Callable[[], None],
) -> None:
    """Refuse a stretch that the monitor or the gate would have to stop. Raises NotPermitted with row and value.

    demand: the set-points in force, asked for last. meanwhile: called every so many rows, for a long table takes
    longer to check than the leg may go without a cycle.
    """
    if stretch.axes != rules.names:
        raise NotPermitted(f"a stretch for {stretch.axes} does not fit the axes {rules.names}")
    count = len(stretch.times_ns)
    if not 1 <= count <= LONGEST_ROWS or count != len(stretch.rows) or stretch.times_ns[0] != 0:
        raise NotPermitted(f"a stretch has 1..{LONGEST_ROWS} rows, one time each, the first at 0")
    _check_row(0, 0, stretch.rows[0], stretch.rows[0], rules.period_ns, grant, rules, homed)
    for i in range(1, count):
        if i % ROWS_AT_ONCE == 0:
            meanwhile()
        span = stretch.times_ns[i] - stretch.times_ns[i - 1]
        if span <= 0:
            raise NotPermitted(f"row {i}: times must increase")
        _check_row(i, span, stretch.rows[i - 1], stretch.rows[i], span, grant, rules, homed)
    for axis, (first, now) in enumerate(zip(stretch.rows[0], demand(), strict=True)):
        gap = first.position_rad - now.position_rad
        if axis in grant.axes and abs(gap) > 0.02:
            raise NotPermitted(f"{rules.names[axis]} would start {gap:+.4f} rad away from where it is")


def _check_row(
    number: int,
    span_ns: int,
    before: Sequence[Point],
    row: Sequence[Point],
    divisor_ns: int,
    grant: Grant,
    rules: Rules,
    homed: bool,
) -> None:
    if len(row) != len(rules.names):
        raise NotPermitted(f"row {number} has {len(row)} points for {len(rules.names)} axes")
    for axis, (position, feed_forward, cap) in enumerate(row):
        if not (isfinite(position) and isfinite(feed_forward) and 0 <= cap <= grant.torque_Nm[axis] + 1e-9):
            raise NotPermitted(
                f"row {number}, {rules.names[axis]}: position {position}, torque {feed_forward}, cap {cap} N*m; "
                f"permitted are finite numbers and a cap of 0..{grant.torque_Nm[axis]:g} N*m"
            )
        if abs(feed_forward) > cap:
            who = f"row {number}, {rules.names[axis]}"
            raise NotPermitted(f"{who}: torque {feed_forward:g} is above its cap {cap:g} N*m")
    for j, (terms, joint) in enumerate(zip(rules.terms, rules.joints, strict=True)):
        angle = speed = 0.0
        for i, c in terms:
            angle += c * row[i][0]
            speed += c * (row[i][0] - before[i][0])
        speed /= divisor_ns * 1e-9
        if abs(speed) > joint.speed_rad_s:
            allowed = f"{joint.speed_rad_s:.2f} rad/s"
            raise NotPermitted(f"row {number}: {joint.name} at {speed:+.2f} rad/s, allowed {allowed}")
        if not homed:
            continue
        if allowed := rules.outside(j, row[j][2], angle, speed):
            where = f"{angle:+.4f} rad and {speed:+.2f} rad/s"
            raise NotPermitted(f"row {number}: {joint.name} at {where}, allowed {allowed}")
