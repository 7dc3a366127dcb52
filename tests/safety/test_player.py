"""A stretch is refused whole before its first frame, or played as its rows say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import pytest
from bench_leg import make_setup
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.wiremap import Point
from legtest.errors import NotPermitted
from legtest.safety.permit import Grant
from legtest.safety.player import LONGEST_ROWS, Player, check
from legtest.safety.rules import rules_of
from legtest.safety.stretch import Stretch

SETUP = make_setup()
RULES = rules_of(SETUP)
T = SETUP.period_ns
GRANT = Grant("motion", (0, 1, 2), SETUP.torque_Nm, 10**15)
SPEED = SETUP.joints[0].speed_rad_s
Row = tuple[Point, ...]


def row(*positions: float, cap: float = 9.0, forward: float = 0.0) -> Row:
    return tuple(Point(position, forward, cap) for position in positions)


def stretch(*rows: Row, times: Sequence[int] | None = None, **more: Any) -> Stretch:
    return Stretch(RULES.names, tuple(times if times is not None else (i * T for i in range(len(rows)))), rows, **more)


def verdict(table: Stretch, *, grant: Grant = GRANT, demand: Row | None = None, homed: bool = False) -> str:
    """Why the table is refused; "" = it may be played."""
    try:
        check(table, grant, RULES, lambda: demand or row(0, 0, 0), homed, lambda: None)
    except NotPermitted as error:
        return str(error)
    return ""


STILL = row(0, 0, 0)


def test_standing_still_may_be_played() -> None:
    assert verdict(stretch(STILL, STILL, STILL)) == ""
    assert verdict(stretch(STILL)) == ""


def test_another_leg_s_axes() -> None:
    table = Stretch(("hip", "knee", "abduction"), (0,), (STILL,))
    assert "does not fit the axes ('abduction', 'hip', 'knee')" in verdict(table)


@pytest.mark.parametrize(
    "table",
    [
        Stretch(RULES.names, (), ()),
        Stretch(RULES.names, (0, T), (STILL,)),
        Stretch(RULES.names, (T,), (STILL,)),
        Stretch(RULES.names, tuple(range(LONGEST_ROWS + 1)), (STILL,) * (LONGEST_ROWS + 1)),
    ],
    ids=["no row", "a time without a row", "begins late", "too long"],
)
def test_the_form_of_the_table(table: Stretch) -> None:
    assert verdict(table) == "a stretch has 1..200000 rows, one time each, the first at 0"


@pytest.mark.parametrize("times", [(0, 0), (0, T, T), (0, 2 * T, T)])
def test_times_must_increase(times: tuple[int, ...]) -> None:
    assert "times must increase" in verdict(stretch(*[STILL] * len(times), times=times))


@pytest.mark.parametrize("width", [0, 1, 2, 4])
@pytest.mark.parametrize("at", [0, 1])
def test_a_row_has_one_point_per_axis(width: int, at: int) -> None:
    rows = [STILL, STILL]
    rows[at] = row(*[0.0] * width)
    assert f"row {at} has {width} points" in verdict(stretch(*rows))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("field", ["position_rad", "torque_ff_Nm", "torque_cap_Nm"])
@pytest.mark.parametrize("where", [0, 1])
def test_numbers_that_are_none(bad: float, field: str, where: int) -> None:
    rows = [STILL, STILL]
    rows[where] = (rows[where][0], rows[where][1]._replace(**{field: bad}), rows[where][2])
    assert verdict(stretch(*rows)).startswith(f"row {where}")


@pytest.mark.parametrize("cap", [-0.1, 18.01])
def test_a_cap_outside_the_permission(cap: float) -> None:
    assert "a cap of 0..18 N*m" in verdict(stretch(STILL, row(0, 0, 0, cap=cap)))


def test_feed_forward_above_its_cap() -> None:
    assert "above its cap" in verdict(stretch(row(0, 0, 0, cap=5.0, forward=-5.1)))
    assert verdict(stretch(row(0, 0, 0, cap=5.0, forward=-5.0))) == ""


def test_the_cap_of_a_trial_is_the_trial_s() -> None:
    trial = Grant("trial", (1,), SETUP.trial_torque_Nm, 10**15)
    assert "a cap of 0..2.7 N*m" in verdict(stretch(STILL), grant=trial)


def ramp(joint: int, speed: float, rows: int = 5) -> Stretch:
    """Actuators such that one joint alone moves: knee joint = knee actuator - hip actuator."""
    step = speed * T * 1e-9
    moves = [[0.0, 0.0, 0.0] for _ in range(rows)]
    for k in range(rows):
        for i, line in enumerate(SETUP.actuator_of_joint):
            moves[k][i] = line[joint] * step * k
    return stretch(*[row(*m) for m in moves])


@pytest.mark.parametrize("joint", [0, 1, 2])
@pytest.mark.parametrize("sense", [1, -1])
def test_speed_is_checked_at_the_joint(joint: int, sense: int) -> None:
    assert verdict(ramp(joint, sense * SPEED * 0.999)) == ""
    fast = sense * SPEED * 1.01
    assert f"{RULES.joints[joint].name} at {fast:+.2f} rad/s" in verdict(ramp(joint, fast))


def test_the_hip_motor_alone_turns_the_knee_as_well() -> None:
    """tarn-fl's belt: turning the hip motor with the knee motor held turns the knee joint back."""
    step = SPEED * 1.01 * T * 1e-9
    assert "hip at" in verdict(stretch(STILL, row(0, step, 0)))
    assert "knee at" in verdict(stretch(STILL, row(0, 0.9 * step, -0.9 * step)))


@pytest.mark.parametrize("gap", [0.021, -0.021])
def test_a_start_away_from_the_demand(gap: float) -> None:
    assert f"hip would start {gap:+.4f} rad away" in verdict(stretch(row(0, gap, 0)))
    assert verdict(stretch(row(0, gap * 0.9, 0))) == ""


def test_positions_count_once_the_leg_knows_its_zero() -> None:
    high = SETUP.joints[0].high_rad
    beyond, within = row(high + 0.02, 0, 0), row(high - 0.02, 0, 0)
    assert verdict(stretch(beyond, row(high + 0.021, 0, 0)), demand=beyond) == ""
    assert "abduction at" in verdict(stretch(beyond, row(high + 0.021, 0, 0)), demand=beyond, homed=True)
    assert verdict(stretch(within), demand=within, homed=True) == ""


def test_a_long_table_lets_cycles_pass_while_it_is_checked() -> None:
    turns: list[int] = []
    check(stretch(*[STILL] * 1000), GRANT, RULES, lambda: STILL, False, lambda: turns.append(1))
    assert len(turns) == 9


# ---------------------------------------------------------------------- playing

tables = st.lists(
    st.tuples(st.integers(1, 50_000_000), st.floats(-3, 3), st.floats(-3, 3), st.floats(0, 18)), min_size=1, max_size=8
)


def table_of(rows: list[tuple[int, float, float, float]]) -> Stretch:
    times, points, t = [], [], 0
    for k, (span, a, b, cap) in enumerate(rows):
        t += span if k else 0
        times.append(t)
        points.append((Point(a, 0.1, cap), Point(b, -0.1, cap), Point(0.0, 0.0, cap)))
    return stretch(*points, times=times, hold_ns=7)


@given(tables, st.lists(st.integers(-10_000_000, 500_000_000), max_size=20))
def test_what_is_played_is_linear_between_rows(rows: list[tuple[int, float, float, float]], at: list[int]) -> None:
    """By linear interpolation, written out; before the start the first row, after the end the last."""
    table, start = table_of(rows), 1_000
    player = Player(table, start)
    assert player.end_ns == start + table.duration_ns
    assert player.void_ns == player.end_ns + 7
    for t in sorted(at):
        got = player.at(start + t)
        for axis in range(3):
            for field in range(3):
                values = [r[axis][field] for r in table.rows]
                assert got[axis][field] == pytest.approx(interpolated(t, table.times_ns, values), abs=1e-9)
                assert min(values) - 1e-9 <= got[axis][field] <= max(values) + 1e-9


def interpolated(t: float, times: Sequence[int], values: Sequence[float]) -> float:
    if t <= times[0]:
        return values[0]
    for (t0, v0), (t1, v1) in pairwise(zip(times, values, strict=True)):
        if t <= t1:
            return v0 + (v1 - v0) * (t - t0) / (t1 - t0)
    return values[-1]


def test_a_row_s_own_instant_gives_the_row_exactly() -> None:
    table = table_of([(1, 0.1, 0.2, 3.0), (5, 1.1, -0.2, 4.0), (5, 2.1, 0.7, 5.0)])
    player = Player(table, 100)
    assert [player.at(100 + t) for t in table.times_ns] == list(table.rows)
