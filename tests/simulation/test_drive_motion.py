"""Modes of operation and limits of the simulated drive, on an analytic axis."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from analytic_axis import AnalyticAxis
from drive_host import COUNTS_PER_RAD, HOMING, MS, PERIOD_NS, POSITION, PROFILE, TORQUE, Aborted, Bench, running

from legtest.simulation.node import DriveConfig
from legtest.simulation.state import State


def follows(bench: Bench) -> list[tuple[int, float, int, float]]:
    return [call[1:] for call in bench.axis.calls if call[0] == "follow"]  # type: ignore[misc]


# -- cyclic synchronous position


def test_a_set_point_is_reached_one_period_after_the_sync_that_takes_it() -> None:
    bench = running()
    bench.axis.calls.clear()
    bench.cycle(1000)
    got = bench.cycle(2000)
    sync_ns = next(f.t_ns for f in got if f.can_id == 0x080)
    ((t_ns, target, over_ns, forward),) = follows(bench)
    assert (t_ns, over_ns, forward) == (sync_ns, PERIOD_NS, 0.0)
    assert target == pytest.approx(1000 / COUNTS_PER_RAD)
    assert bench.axis.demand_rad(sync_ns + PERIOD_NS // 2) == pytest.approx(target / 2)
    assert bench.axis.demand_rad(sync_ns + PERIOD_NS) == pytest.approx(target)


def test_missed_set_points_hold_the_demand() -> None:
    bench = running()
    for n in range(1, 11):
        bench.cycle(n * 100)
    bench.cycle()  # this SYNC still takes the last set-point
    calls = len(follows(bench))
    demand = bench.axis.demand_rad(bench.link.now_ns() + PERIOD_NS)
    for _ in range(60):
        bench.cycle()
    assert len(follows(bench)) == calls
    assert bench.axis.demand_rad(bench.link.now_ns()) == demand == pytest.approx(1000 / COUNTS_PER_RAD)
    assert bench.axis.position == pytest.approx(demand, abs=1e-3)


def test_enabling_starts_at_the_present_position_whatever_the_old_target() -> None:
    axis = AnalyticAxis()
    axis.position = 0.5
    bench = Bench(axis=axis)
    bench.configure(POSITION)
    bench.write(0x607A, 0, 4, -60_000)
    bench.cycle(-60_000)
    bench.enable()
    for _ in range(50):
        bench.cycle()
    assert axis.position == pytest.approx(0.5, abs=1e-4)
    assert bench.read(0x607A, signed=True) == round(0.5 * COUNTS_PER_RAD)


@pytest.mark.parametrize("sign", [1, -1])
def test_signs(sign: int) -> None:
    """Counts and torque are the axis' times the sign, in every object."""
    bench = running(config=DriveConfig(sign=sign))
    for _ in range(100):
        bench.cycle(6000, forward=100)
    assert bench.axis.position > 0 if sign > 0 else bench.axis.position < 0
    assert bench.feedback()[1] == pytest.approx(6000, abs=60)
    assert follows(bench)[-1][3] == pytest.approx(sign * 0.6)
    bench.axis.load_Nm = 1.5
    for _ in range(100):
        bench.cycle(6000)
    assert bench.feedback()[2] == pytest.approx(sign * 250, abs=1)  # 1.5 of 6 N*m


def test_software_position_limits_clamp_the_demand() -> None:
    bench = running()
    bench.write(0x607D, 1, 4, -500)
    bench.write(0x607D, 2, 4, 1500)
    for target, reached in ((9000, 1500), (-9000, -500), (700, 700)):
        for _ in range(60):
            bench.cycle(target)
        status, position, _ = bench.feedback()
        assert position == pytest.approx(reached, abs=8)
        assert bool(status & 0x800) == (target != reached)


# -- torque


def test_torque_mode_adds_target_and_offset() -> None:
    bench = running(TORQUE)
    bench.axis.blocked = True
    bench.write(0x6071, 0, 2, 100)
    for _ in range(3):
        bench.cycle(0, forward=-300)
    assert bench.axis.calls[-1][0] == "push"
    assert bench.feedback()[2] == -200
    assert bench.axis.torque == pytest.approx(-1.2)


def test_torque_mode_starts_without_torque() -> None:
    bench = running(TORQUE)
    bench.wait(20 * MS)
    assert bench.axis.torque == 0.0


def test_the_cap_in_the_set_point_frame_limits_the_torque() -> None:
    bench = running()
    bench.axis.blocked = True
    for cap in (150, 600):
        for _ in range(5):
            bench.cycle(30_000, cap=cap)
        status, _, torque = bench.feedback()
        assert torque == cap
        assert status & 0x800
        assert bench.axis.torque == pytest.approx(cap * 0.006)
    for _ in range(5):
        bench.cycle(0)
    assert not bench.feedback()[0] & 0x800


@pytest.mark.parametrize(("sign", "low_high"), [(1, (1.2, 3.0)), (-1, (3.0, 1.2))])
def test_limits_by_direction(sign: int, low_high: tuple[float, float]) -> None:
    bench = running(config=DriveConfig(sign=sign))
    bench.write(0x60E0, 0, 2, 500)
    bench.write(0x60E1, 0, 2, 200)
    assert bench.axis.limits == pytest.approx(low_high)
    bench.write(0x6072, 0, 2, 100)
    assert bench.axis.limits == pytest.approx((0.6, 0.6))
    bench.write(0x60E0, 0, 2, 0)
    bench.write(0x6072, 0, 2, 0xFFFF)
    assert bench.axis.limits == pytest.approx((1.2, 0.0) if sign > 0 else (0.0, 1.2))


def test_the_power_stage_has_a_peak() -> None:
    bench = running(config=DriveConfig(rated_torque_Nm=6.0, peak_torque_Nm=9.0))
    bench.write(0x6072, 0, 2, 5000)
    assert bench.axis.limits == (9.0, 9.0)


# -- profile position


def profile_bench() -> Bench:
    bench = Bench()
    bench.configure(PROFILE)
    for index, value in ((0x6081, 10_000), (0x6083, 100_000), (0x6084, 100_000), (0x6067, 20)):
        bench.write(index, 0, 4, value)
    bench.enable()
    return bench


def test_profile_position_takes_the_time_of_a_trapezoid() -> None:
    """4000 counts at 10000/s and 100000/s^2: 0.1 + 0.3 + 0.1 = 0.5 s; drive, host and axis add some 4 ms each."""
    bench = profile_bench()
    bench.write(0x607A, 0, 4, 4000)
    start_ns = bench.link.now_ns()
    bench.control(0x1F)
    assert bench.node.statusword() & 0x1000  # set-point acknowledge
    bench.control(0x0F)
    assert not bench.node.statusword() & 0x1000
    bench.cycle()
    while not bench.feedback()[0] & 0x400:
        bench.cycle()
        assert bench.link.now_ns() - start_ns < 700 * MS
    assert bench.link.now_ns() - start_ns == pytest.approx(500 * MS, abs=30 * MS)
    ways = follows(bench)
    speeds = [(b[1] - a[1]) * COUNTS_PER_RAD / b[2] * 1e9 for a, b in pairwise(ways) if b[2]]
    assert max(speeds) == pytest.approx(10_000)
    assert min(speeds) >= 0
    assert bench.feedback()[1] == pytest.approx(4000, abs=20)


def test_profile_set_points_relative_waiting_and_at_once() -> None:
    bench = profile_bench()
    bench.write(0x607A, 0, 4, 1000)
    bench.control(0x5F)  # relative to 0
    bench.control(0x0F)
    bench.write(0x607A, 0, 4, 3000)
    bench.control(0x1F)
    bench.control(0x0F)
    assert bench.node.statusword() & 0x1000  # waits for the first to be finished
    bench.wait(1000 * MS)
    bench.cycle()
    assert bench.feedback()[1] == pytest.approx(3000, abs=20)
    bench.write(0x607A, 0, 4, 20_000)
    bench.control(0x1F)
    bench.control(0x0F)
    bench.wait(200 * MS)
    bench.write(0x607A, 0, 4, 0)
    bench.control(0x3F)
    bench.wait(1500 * MS)
    bench.cycle()
    assert bench.feedback()[1] == pytest.approx(0, abs=20)
    assert bench.feedback()[0] & 0x400


def test_halt_and_go_on() -> None:
    bench = profile_bench()
    bench.write(0x607A, 0, 4, 6000)
    bench.control(0x1F)
    bench.wait(200 * MS)
    bench.control(0x11F)
    bench.wait(300 * MS)
    stood = bench.axis.position * COUNTS_PER_RAD
    assert bench.state == State.OPERATION_ENABLED
    assert 500 < stood < 5000
    assert abs(bench.axis.velocity) < 1e-3
    bench.control(0x1F)
    bench.wait(1000 * MS)
    assert bench.axis.position * COUNTS_PER_RAD == pytest.approx(6000, abs=20)


# -- homing


@pytest.mark.parametrize("method", [35, 37])
@pytest.mark.parametrize("sign", [1, -1])
def test_homing_on_the_present_position(method: int, sign: int) -> None:
    axis = AnalyticAxis()
    axis.position = 0.3
    bench = Bench(axis=axis, config=DriveConfig(sign=sign))
    bench.configure(HOMING)
    bench.write(0x6098, 0, 1, method)
    bench.write(0x607C, 0, 4, -2500)
    bench.write(0x6072, 0, 2, 0)
    bench.enable()
    assert bench.node.statusword() & 0x3400 == 0x0400  # not started
    bench.control(0x1F)
    assert bench.node.statusword() & 0x3400 == 0x1400  # completed
    bench.wait(100 * MS)
    assert axis.position == pytest.approx(0.3, abs=1e-6)  # only the numbers move
    bench.cycle()
    assert bench.feedback()[1] == -2500
    bench.control(0)
    bench.write(0x6060, 0, 1, POSITION)
    bench.write(0x6072, 0, 2, 3000)
    bench.control(0)
    bench.enable()
    for _ in range(100):
        bench.cycle(-2500 + 1000)
    assert axis.position == pytest.approx(0.3 + sign * 1000 / COUNTS_PER_RAD, abs=1e-4)


def test_homing_without_a_method_is_an_error() -> None:
    bench = running(HOMING)
    bench.control(0x1F)
    assert bench.node.statusword() & 0x3400 == 0x2400


# -- readings


def test_readings_as_objects() -> None:
    bench = running()
    bench.axis.temperature_C, bench.axis.supply_V = 41.26, 47.9
    for n in range(1, 51):
        bench.cycle(n * 100)
    assert int.from_bytes(bench.heard(0x385)[-1].data[:2], "little") == 413
    assert bench.read(0x6079) == 47_900
    assert bench.read(0x606C, signed=True) == pytest.approx(25_000, rel=0.02)
    assert bench.read(0x6061) == bench.read(0x6060) == POSITION


def test_an_sdo_read_is_never_older_than_a_tick() -> None:
    bench = Bench()
    bench.axis.position = math.pi
    bench.wait(50 * MS)
    assert bench.read(0x6064) == 32768


def test_position_wraps_like_a_counter() -> None:
    bench = Bench()
    bench.axis.position = 2**31 / COUNTS_PER_RAD
    bench.wait(50 * MS)
    assert bench.read(0x6064, signed=True) == -(2**31)


def test_modes_the_drive_does_not_have() -> None:
    bench = Bench()
    for mode in (2, 3, 4, 7, 9, -1):
        with pytest.raises(Aborted):
            bench.write(0x6060, 0, 1, mode)
    supported = bench.read(0x6502)
    assert [n + 1 for n in range(10) if supported >> n & 1] == [PROFILE, HOMING, POSITION, TORQUE]
