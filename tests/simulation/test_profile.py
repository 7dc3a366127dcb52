"""Motion profiles: textbook cases and laws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.simulation.profile import ABRUPT_STOP_s, move, stop

FINITE = st.floats(-1e5, 1e5)
RATE = st.floats(1e2, 1e6)


@pytest.mark.parametrize(
    ("way", "speed", "seconds"),
    [
        (4000, 10_000, 0.5),  # trapezoid: 0.1 + 0.3 + 0.1
        (1000, 1e9, 0.2),  # triangle: 2 sqrt(way / a)
        (0, 10_000, 0.0),
    ],
)
def test_from_rest(way: float, speed: float, seconds: float) -> None:
    for sign in (1, -1):
        profile = move(5.0, 0.0, 5.0 + sign * way, speed, 100_000, 100_000)
        assert profile.end_s == pytest.approx(seconds)
        assert profile.at(seconds / 2)[0] == pytest.approx(5.0 + sign * way / 2)


def test_stop() -> None:
    profile = stop(1.0, -20.0, 40.0)
    assert profile.end_s == 0.5
    assert profile.at(0.5) == (pytest.approx(1.0 - 5.0), 0.0)  # v^2 / 2a
    assert profile.at(9.0) == profile.at(0.5)
    assert stop(1.0, 3.0, math.inf).at(0.01) == (1.0, 0.0)
    assert stop(1.0, 3.0, math.inf).end_s == ABRUPT_STOP_s


@given(start=FINITE, velocity=FINITE, target=FINITE, speed=RATE, up=RATE, down=RATE)
def test_laws(start: float, velocity: float, target: float, speed: float, up: float, down: float) -> None:
    """It begins as asked, ends at the target, is smooth, and keeps its limits."""
    profile = move(start, velocity, target, speed, up, down)
    size = max(1.0, abs(start), abs(target), velocity**2 / down)
    assert profile.at(0.0)[0] == pytest.approx(start, abs=1e-9 * size)
    assert profile.at(profile.end_s) == (pytest.approx(target, abs=1e-6 * size), 0.0)
    for before, after in zip(profile.pieces, profile.pieces[1:], strict=False):
        dt = after.t_s - before.t_s
        assert dt >= -1e-9
        reached = before.position + before.velocity * dt + 0.5 * before.acceleration * dt * dt
        assert reached == pytest.approx(after.position, abs=1e-6 * size)
        reached_v = before.velocity + before.acceleration * dt
        assert reached_v == pytest.approx(after.velocity, abs=1e-6 * max(1.0, speed, abs(velocity)))
    top = max(speed, abs(velocity)) * (1 + 1e-9)
    assert all(abs(piece.velocity) <= top for piece in profile.pieces)
    assert all(abs(piece.acceleration) <= max(up, down) for piece in profile.pieces)
