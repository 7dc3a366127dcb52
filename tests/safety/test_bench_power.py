"""Power as a test's author meets it: `with bench.energised()`, and what happens when the test goes wrong inside it."""

from __future__ import annotations

import pytest
from bench_leg import LEG, MS, Leg, S, make_setup

from legtest.bench import Bench, Sample
from legtest.description import default_bench, read_leg
from legtest.description.model import Instrument
from legtest.description.setup import SetUp
from legtest.errors import LegStopped, NotPermitted, PrecheckRefused, UsageError
from legtest.safety.direct import DirectPort
from legtest.safety.loop import Loop
from legtest.wiring import NullLog, bench_on

SETUP = make_setup()
T = SETUP.period_ns
BUDGET_NS = T + 7 * 135_000  # one cycle and the frames that may stand before the stop
OFF_NS = 30 * MS  # the ramp from 1 rad/s, 20 ms and a few cycles


class Hands:
    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None: ...

    def read(self, instrument: Instrument, joint: str) -> float:
        return 0.0


class Made:
    """A bench on a plain leg; `refusal` is what keeps it from power, as outside a test's call phase."""

    def __init__(self) -> None:
        self.leg = Leg()
        self.refusal = ""
        self.bench: Bench = bench_on(
            self.leg.link, read_leg(str(LEG)), default_bench(), hands=Hands(), by="nobody", log=NullLog(),
            frames=NullLog(), events=self.leg.events.append, may_energise=lambda: self.refusal, port=self.port,
        )  # fmt: skip
        self.leg.wait(50 * MS)

    def port(self, loop: Loop, may_energise: object) -> DirectPort:
        self.leg.loop = loop
        return DirectPort(loop, lambda: self.refusal)


class Wrong(Exception):
    """What a test raises."""


def run_into(made: Made, error: BaseException) -> None:
    """Raise in mid-motion."""
    bench = made.bench

    def until(sample: Sample) -> bool:
        if sample.joints_rad[0] - start > 0.15:
            raise error
        return False

    with bench.energised():
        start = bench.sample().joints_rad[0]
        goal = bench.demand_rad
        goal[0] += 0.5
        bench.follow(bench.path(goal, 1.0), until=until)


@pytest.mark.parametrize("error", [Wrong(), AssertionError(), KeyboardInterrupt(), SystemExit(0), MemoryError()])
def test_an_exception_in_the_test_stops_within_a_cycle_and_is_off_in_time(error: BaseException) -> None:
    made = Made()
    leg = made.leg
    made.bench.precheck()
    leg.wire.frames.clear()
    with pytest.raises(type(error)):
        run_into(made, error)
    stops = [f for f in leg.wire.frames if 0x201 <= f.can_id <= 0x203 and f.data[:1] == b"\x02"]
    quick = {f.can_id: f.t_ns for f in reversed(stops)}
    assert set(quick) == {0x201, 0x202, 0x203}
    last = max(f.t_ns for f in leg.wire.set_points())
    assert max(quick.values()) - last <= BUDGET_NS
    assert leg.energised() == [False] * 3
    off = [f.t_ns for f in leg.wire.frames if f.can_id == 0x181 and not int.from_bytes(f.data[:2], "little") & 0x04]
    assert min(t for t in off if t > last) - min(quick.values()) <= OFF_NS
    since = leg.now
    leg.loop.run(20)
    assert leg.wire.energising(since) == []


def test_after_the_tests_own_mistake_the_same_permit_goes_on() -> None:
    """The leg did nothing wrong: the next test may have its power back without a new pre-check."""
    made = Made()
    with pytest.raises(Wrong):
        run_into(made, Wrong())
    assert len(made.bench.prechecks) == 1
    with made.bench.energised():
        assert made.leg.energised() == [True] * 3
    assert len(made.bench.prechecks) == 1
    assert made.leg.energised() == [False] * 3


def test_after_a_stop_by_the_monitor_the_bench_gives_no_power_any_more() -> None:
    made = Made()

    def motion() -> None:
        with made.bench.energised():
            made.leg.nodes[1]._power.fault(made.leg.now, 0x2310)
            made.bench.wait(0.5)

    with pytest.raises(LegStopped, match=r"emergency, hip|drive fault, hip"):
        motion()
    since = made.leg.now
    with pytest.raises(LegStopped), made.bench.energised():
        pytest.fail("no power after a stop")
    assert made.leg.wire.energising(since) == []


def test_a_swallowed_stop_does_not_bring_the_power_back() -> None:
    made = Made()
    since = [0]

    def motion() -> None:
        with made.bench.energised():
            made.leg.nodes[1]._power.fault(made.leg.now, 0x2310)
            with pytest.raises(LegStopped):
                made.bench.wait(0.5)
            since[0] = made.leg.now
            made.bench.wait(0.5)

    with pytest.raises((LegStopped, NotPermitted)):
        motion()
    assert since[0] > 0
    assert made.leg.wire.energising(since[0]) == []
    assert made.leg.energised() == [False] * 3


def test_outside_a_test_nothing_is_energised() -> None:
    made = Made()
    made.refusal = "power is given in the call phase of a test"
    for attempt in (made.bench.precheck, lambda: made.bench.set_home([0.0, 0.0, 0.0])):
        with pytest.raises(NotPermitted, match="call phase"):
            attempt()
    with pytest.raises(NotPermitted, match="call phase"), made.bench.energised():
        pytest.fail("no power")
    assert made.leg.wire.energising() == []
    made.refusal = ""
    made.bench.precheck()
    made.refusal = "the test is over"
    since = made.leg.now
    with pytest.raises(NotPermitted, match="the test is over"), made.bench.energised():
        pytest.fail("no power")
    assert made.leg.wire.energising(since) == []


def test_a_refused_precheck_gives_no_power() -> None:
    made = Made()
    made.leg.axes[0].supply_V = 5.0
    for _ in range(2):
        with pytest.raises(PrecheckRefused), made.bench.energised():
            pytest.fail("no power")
    assert made.leg.wire.energising() == []


def test_a_closed_bench_is_lowered_and_stays_off() -> None:
    made = Made()
    with made.bench.energised():
        goal = made.bench.demand_rad
        rest = made.leg.bodies[0].position
        goal[0] += 0.3
        made.bench.move_to(goal)
        made.bench.close()
        assert made.leg.energised() == [False] * 3
        assert made.leg.bodies[0].position == pytest.approx(rest, abs=0.03)
    made.bench.close()
    since = made.leg.now
    with pytest.raises(NotPermitted, match="the bench is closed"), made.bench.energised():
        pytest.fail("no power")
    assert made.leg.wire.energising(since) == []


def test_motion_needs_power_and_rest_needs_none() -> None:
    made = Made()
    with pytest.raises(NotPermitted, match="inside `with bench"):
        made.bench.follow([[0.0, 0.0, 0.0]])
    with made.bench.energised():
        with pytest.raises(UsageError, match="without power"):
            made.bench.rest(0.1)
        with pytest.raises(UsageError, match="one `with bench"), made.bench.energised():
            pytest.fail("not twice")
        with pytest.raises(UsageError, match="power off"):
            made.bench.arrange(SetUp.STANDING)
    made.bench.rest(1.0)
    assert made.leg.now > S
