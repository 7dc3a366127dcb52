"""A plain leg with its power on, and what the wire has to show when it is taken away."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from bench_leg import MS, Leg, make_setup

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import NotPermitted
from legtest.safety.permit import Permit
from legtest.safety.setup import Setup
from legtest.safety.stretch import Stretch

SETUP = make_setup()
T = SETUP.period_ns
FRAMES_NS = 7 * 135_000  # the frames that may stand before a stop, at their longest, at 1 Mbit/s


def powered(setup: Setup | None = None) -> tuple[Leg, Permit]:
    leg = Leg(setup or SETUP)
    key = leg.precheck()
    leg.loop.run(250)  # the bodies swing out
    leg.rest = leg.bodies[0].position
    leg.loop.energise(key)
    assert leg.energised() == [True] * 3
    return leg, key


def moving(speed: float = 1.0) -> tuple[Leg, Permit]:
    """In the middle of a motion of the abduction joint."""
    leg, key = powered()
    leg.loop.play(leg.stretch(0, speed, 1.0), key)
    leg.loop.run(100)
    assert leg.bodies[0].velocity == pytest.approx(speed, abs=0.05)
    return leg, key


def lowered(leg: Leg, since_ns: int) -> None:
    """The wire after `since_ns` shows a slow way back to rest, then quick stop, then nothing that energises."""
    per_count = math.tau / 65536
    way = [f for f in leg.wire.set_points(since_ns) if f.can_id == 0x301]
    places = [int.from_bytes(f.data[:4], "little", signed=True) * per_count for f in way]
    assert places[-1] == pytest.approx(leg.rest, abs=0.002)
    speeds = [abs(b - a) / (T * 1e-9) for a, b in pairwise(places)]
    assert max(speeds[3:]) <= SETUP.lower_rad_s * 1.05
    stops = [f for f in leg.wire.frames if f.can_id == 0x201 and f.t_ns > since_ns]
    assert stops
    assert stops[0].t_ns > way[-1].t_ns - T
    assert leg.bodies[0].position == pytest.approx(leg.rest, abs=0.03), "it was brought down, not dropped"
    assert leg.energised() == [False] * 3


def displaced() -> tuple[Leg, Permit]:
    """Energised, and 0.2 rad from where it rested."""
    leg, key = powered()
    leg.loop.play(leg.stretch(0, 1.0, 0.2), key)
    leg.loop.run(55)
    assert leg.bodies[0].position - leg.rest == pytest.approx(0.2, abs=0.02)
    return leg, key


def table(leg: Leg) -> Stretch:
    """A table of one row, for a leg that has no demand to start from."""
    return Stretch(leg.loop.rules.names, (0,), ((Point(0.0, 0.0, 1.0),) * 3,))


def refused_after(leg: Leg, key: Permit) -> None:
    """The permit is dead and stays dead; whatever is called, no energising frame leaves."""
    since = leg.now
    for call in (
        lambda: leg.loop.energise(key),
        lambda: leg.loop.play(table(leg), key),
        lambda: leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.0), key),
        lambda: leg.loop.send(Frame(0, 0x201, b"\x0f\x00")),
        lambda: leg.loop.send(Frame(0, 0x301, bytes(8))),
    ):
        with pytest.raises(NotPermitted):
            call()
    leg.loop.lower_and_off()
    leg.loop.stop(Reaction.OFF_NOW, "again")
    leg.loop.pump(leg.now + 200 * MS)
    assert leg.wire.energising(since) == []
    assert leg.energised() == [False] * 3
