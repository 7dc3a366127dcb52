"""Bus load, stop latency and allowed speed against a budget worked out by hand.

The table: three drives; T = n P (age of the telemetry, n = 1 or 2 samples) + P + 0.5 ms (host) + 7 frames of 135 bits
+ 1 ms (drive); deceleration 300 rad/s^2; v = a (-T + sqrt(T^2 + 2 m / a)) for a margin of 0.3 rad; load of a SYNC of 55
bits and 135 bits for every other frame (worst stuffing: Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007),
recalled: 55 + 10 n bits for n bytes).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_leg import S, make_setup
from hypothesis import given
from hypothesis import strategies as st

from legtest.safety.setup import BUS_LOAD_LIMIT, Setup, allowed_speed, bus_load, stop_latency_s


def setup_with(rate_hz: float, answers: int = 2, bit_rate: int = 1_000_000) -> Setup:
    """Three drives that answer each SYNC with so many frames."""
    setup = make_setup()
    axes = []
    for axis in setup.axes:
        ids = list(dict.fromkeys(signal.can_id for signal in axis.feedback))[:answers]
        axes.append(replace(axis, feedback=tuple(s for s in axis.feedback if s.can_id in ids)))
    return replace(setup, axes=tuple(axes), period_ns=round(S / rate_hz), bit_rate=bit_rate)


@pytest.mark.parametrize(
    ("rate_hz", "answers", "percent"),
    [(60, 1, 5), (60, 2, 8), (250, 1, 22), (250, 2, 32), (1000, 1, 86), (1000, 2, 127)],
)
def test_bus_load(rate_hz: float, answers: int, percent: float) -> None:
    assert bus_load(setup_with(rate_hz, answers)) * 100 == pytest.approx(percent, abs=0.7)


def test_a_thousand_cycles_do_not_fit_and_half_the_bit_rate_doubles_the_load() -> None:
    assert bus_load(setup_with(1000)) > BUS_LOAD_LIMIT
    assert bus_load(setup_with(250, 2, 500_000)) == pytest.approx(2 * bus_load(setup_with(250)))


@pytest.mark.parametrize(("rate_hz", "latency_ms"), [(60, 52.4), (250, 14.4), (1000, 5.4)])
def test_stop_latency_with_two_samples_of_age(rate_hz: float, latency_ms: float) -> None:
    assert stop_latency_s(setup_with(rate_hz)) * 1e3 == pytest.approx(latency_ms, abs=0.05)


@pytest.mark.parametrize(
    ("rate_hz", "samples", "speed"),
    [(60, 1, 6.4), (60, 2, 4.9), (250, 1, 10.6), (250, 2, 9.8), (1000, 1, 12.1), (1000, 2, 11.9)],
)
def test_allowed_speed(rate_hz: float, samples: int, speed: float) -> None:
    latency = (samples + 1) / rate_hz + 0.5e-3 + 7 * 135e-6 + 1e-3
    assert allowed_speed(0.3, latency, 300.0) == pytest.approx(speed, abs=0.05)


@pytest.mark.parametrize(("loss_ms", "speed"), [(12 + 3, 9.7), (50 + 3, 4.9)])
def test_allowed_speed_when_only_the_drive_notices(loss_ms: float, speed: float) -> None:
    assert allowed_speed(0.3, loss_ms * 1e-3, 300.0) == pytest.approx(speed, abs=0.1)


@given(st.floats(1e-3, 3.0), st.floats(0.0, 0.3), st.floats(1.0, 1000.0))
def test_from_the_allowed_speed_the_margin_is_just_used_up(margin: float, latency: float, deceleration: float) -> None:
    v = allowed_speed(margin, latency, deceleration)
    assert v > 0
    assert v * latency + v * v / (2 * deceleration) == pytest.approx(margin, rel=1e-6)


def test_the_legs_own_speed_is_capped_by_host_and_loss_time() -> None:
    """12 rad/s stand in the leg file; the drives miss the host after 100 ms, which allows 2.86 rad/s."""
    setup = make_setup()
    assert {joint.speed_rad_s for joint in setup.joints} == {allowed_speed(0.3, 0.1)}
    assert allowed_speed(0.3, 0.1) == pytest.approx(2.863, abs=1e-3)
