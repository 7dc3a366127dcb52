"""How the simulated drive comes to rest: option codes, ramps and protections, on an analytic axis."""

from __future__ import annotations

import pytest
from drive_host import COUNTS_PER_RAD, MS, TORQUE, Bench, running

from legtest.simulation.state import State

# -- ramps


def moving(speed: int = 20_000) -> Bench:
    """A drive that follows a constant speed, counts/s."""
    bench = running()
    for n in range(1, 101):
        bench.cycle(n * speed // 250)
    return bench


def stopping_time_ns(bench: Bench) -> int:
    start_ns = bench.link.now_ns()
    while bench.axis.on:
        bench.wait(MS)
        assert bench.link.now_ns() - start_ns < 1_000 * MS
    return bench.link.now_ns() - start_ns


@pytest.mark.parametrize(
    ("option", "span_ms"),
    [(0, (0, 1)), (1, (200, 206)), (2, (100, 106)), (3, (99, 106)), (4, (99, 106))],
)
def test_quick_stop_options(option: int, span_ms: tuple[int, int]) -> None:
    """20000 counts/s: 200 ms by 0x6084 = 100000/s^2, 100 ms by 0x6085 = 200000/s^2, 3 and 4 as hard as it goes."""
    bench = running()
    bench.write(0x605A, 0, 2, option)
    bench.write(0x6084, 0, 4, 100_000)
    bench.write(0x6085, 0, 4, 200_000)
    for n in range(1, 101):
        bench.cycle(n * 80)
    position, velocity = bench.axis.position, bench.axis.velocity
    bench.send(0x205, b"\x02\x00")
    took_ns = stopping_time_ns(bench)
    # The ramp's length is that of the speed at its start, which the analytic axis follows within 2 %.
    assert span_ms[0] * 0.98 * MS <= took_ns <= span_ms[1] * 1.02 * MS
    assert bench.state == State.SWITCH_ON_DISABLED
    if option in (1, 2):
        rate = (100_000 if option == 1 else 200_000) / COUNTS_PER_RAD
        assert abs(bench.axis.velocity) < 0.1
        # v^2 / 2a; the axis is up to 20 mrad behind its demand (viscous friction, one cycle).
        assert bench.axis.position - position == pytest.approx(velocity**2 / 2 / rate, abs=0.02)


@pytest.mark.parametrize("option", [5, 6, 7, 8])
def test_quick_stop_options_that_stay(option: int) -> None:
    bench = running()
    bench.write(0x605A, 0, 2, option)
    for n in range(1, 101):
        bench.cycle(n * 80)
    bench.control(2)
    bench.wait(500 * MS)
    assert bench.state == State.QUICK_STOP_ACTIVE
    assert bench.axis.on
    assert abs(bench.axis.velocity) < 1e-3
    stood = bench.axis.position
    bench.cycle(0)
    bench.cycle(0)
    assert bench.axis.position == pytest.approx(stood, abs=1e-4)  # set-points do not count now
    bench.control(15)
    assert bench.state == State.OPERATION_ENABLED


def test_quick_stop_in_torque_mode_brakes() -> None:
    bench = running(TORQUE)
    bench.write(0x6085, 0, 4, 200_000)
    for _ in range(25):
        bench.cycle(0, forward=300)
    speed = bench.axis.velocity
    assert speed > 1.5
    bench.send(0x205, b"\x02\x00")
    assert stopping_time_ns(bench) == pytest.approx(speed * COUNTS_PER_RAD / 200_000 * 1e9, rel=0.15)
    assert abs(bench.axis.velocity) < 0.1


@pytest.mark.parametrize(("option", "slow"), [(0, False), (1, True)])
@pytest.mark.parametrize(("index", "word", "state"), [(0x605B, 6, State.READY), (0x605C, 7, State.SWITCHED_ON)])
def test_shutdown_and_disable_options(index: int, word: int, state: State, option: int, slow: bool) -> None:
    bench = running()
    bench.write(index, 0, 2, option)
    bench.write(0x6084, 0, 4, 200_000)
    for n in range(1, 101):
        bench.cycle(n * 80)
    bench.send(0x205, bytes((word, 0)))
    took_ns = stopping_time_ns(bench)
    assert (took_ns > 90 * MS) == slow
    assert bench.state == state


def test_a_disable_ramp_can_be_called_off() -> None:
    bench = moving()
    bench.control(7)
    bench.control(15)
    bench.wait(500 * MS)
    assert bench.state == State.OPERATION_ENABLED


@pytest.mark.parametrize(("option", "slow"), [(0, False), (1, True), (2, True)])
def test_fault_reaction_options(option: int, slow: bool) -> None:
    bench = running()
    bench.write(0x605E, 0, 2, option)
    bench.write(0x6084, 0, 4, 200_000)
    bench.write(0x6085, 0, 4, 200_000)
    for n in range(1, 101):
        bench.cycle(n * 80)
    bench.axis.temperature_C = 200.0
    bench.wait(9 * MS)
    assert bench.state == (State.FAULT_REACTION_ACTIVE if slow else State.FAULT)
    assert (stopping_time_ns(bench) > 80 * MS) == slow
    assert bench.state == State.FAULT


def test_a_second_loss_during_a_ramp_does_not_lengthen_it() -> None:
    bench = moving()
    bench.control(2)
    for _ in range(5):
        bench.control(2)
    assert stopping_time_ns(bench) < 40 * MS  # 20000 counts/s by 1000000/s^2 is 20 ms


# -- protections


def test_following_error() -> None:
    bench = running()
    bench.write(0x6065, 0, 4, 300)
    bench.write(0x6066, 0, 2, 40)
    bench.axis.blocked = True
    for _ in range(20):
        bench.cycle(200)
    assert bench.state == State.OPERATION_ENABLED
    assert bench.read(0x60F4, signed=True) == 200
    start_ns = bench.link.now_ns()
    while bench.state == State.OPERATION_ENABLED:
        bench.cycle(400)
        assert bench.link.now_ns() - start_ns < 100 * MS
    assert 40 * MS <= bench.link.now_ns() - start_ns <= 60 * MS
    bench.wait(10 * MS)
    assert bench.state == State.FAULT
    assert bench.emergencies() == [0x8611]


def test_following_error_is_found_without_any_host() -> None:
    """An axis driven away by force while nobody sends anything."""
    bench = running()
    bench.write(0x6065, 0, 4, 300)
    bench.write(0x6066, 0, 2, 40)
    bench.axis.load_Nm = -17.0
    bench.wait(80 * MS)
    assert bench.state == State.FAULT
    assert bench.emergencies() == [0x8611]
    assert not bench.axis.on


def test_following_error_bit_and_no_window() -> None:
    bench = running()
    bench.write(0x6065, 0, 4, 300)
    bench.write(0x6066, 0, 2, 1000)
    bench.axis.blocked = True
    for _ in range(10):
        bench.cycle(400)
    assert bench.feedback()[0] & 0x2000
    bench.write(0x6065, 0, 4, 0xFFFFFFFF)
    for _ in range(300):
        bench.cycle(400)
    assert bench.state == State.OPERATION_ENABLED
    assert not bench.feedback()[0] & 0x2000
