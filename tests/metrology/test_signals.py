"""Against constructed signals with known answers, the second-order step of references/control, and laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from metrology_references import load, table

from legtest.metrology.signals import crossings, track

T = np.arange(0, 4, 0.004)


def ellipse(t):
    return np.stack([0.05 * np.sin(3 * np.pi * t), 0 * t, 0.03 * np.cos(3 * np.pi * t) - 0.3], axis=1)


def test_tracking_lag_of_the_reference():
    x = load("control/identification.yaml")["rmse_and_lag"]  # y(t) = r(t - 0.012), r = 0.5 sin(2 pi 1.5 t)
    t = np.arange(3000) / 1000  # 4.5 periods

    def r(t):
        return 0.5 * np.sin(2 * np.pi * 1.5 * t)

    found = track(t, r(t), r(t - x["lag_s"]))
    assert found.delay_s == pytest.approx(x["lag_s"], abs=1e-9)
    assert found.gain == pytest.approx(1, abs=1e-9)
    assert found.residual_rms < 1e-9
    # the error the lag alone makes is what the plain rms and peak error show
    error = r(t - found.delay_s)[:2000] - r(t)[:2000]
    assert np.sqrt((error**2).mean()) == pytest.approx(x["rms_error"], abs=1e-9)
    assert np.abs(error).max() == pytest.approx(x["peak_error"], abs=1e-5)
    assert 360 * 1.5 * found.delay_s == pytest.approx(x["phase_deg"], abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.09, 0.09), st.floats(0.5, 1.5), st.floats(-0.1, 0.1))
def test_delay_gain_and_offset_are_found_between_samples(delay, gain, offset):
    found = track(T, ellipse(T), gain * ellipse(T - delay) + offset)
    assert found.delay_s == pytest.approx(delay, abs=2e-6)
    assert found.gain == pytest.approx(gain, rel=1e-5)
    assert found.offset == pytest.approx(3 * [offset], abs=1e-5)
    assert found.residual_rms < 1e-6


@given(st.floats(0.1, 5), st.floats(-0.05, 0.05))
def test_at_constant_speed_the_error_is_speed_times_delay(speed, delay):
    ramp = 1 + speed * T
    actual = ramp - speed * delay
    found = track(T, ramp, actual, offset=False)
    assert np.mean(ramp - actual) == pytest.approx(speed * delay, abs=1e-9)
    assert found.delay_s == pytest.approx(delay, abs=1e-8)


@pytest.mark.parametrize("memory", [0.0, 0.8])
def test_stated_uncertainty_of_the_delay_is_its_scatter(memory):
    """White noise, and noise that remembers its last value (AR(1)), where n samples are worth far fewer."""
    rng = np.random.default_rng(12)
    found = []
    for _ in range(60):
        noise = rng.normal(0, 1e-3, (len(T), 3))
        for k in range(1, len(T)):
            noise[k] += memory * noise[k - 1]
        found.append(track(T, ellipse(T), ellipse(T - 0.008) + noise))
    delays = np.array([x.delay_s for x in found])
    assert np.mean([x.u_delay_s for x in found]) == pytest.approx(delays.std(), rel=0.3)  # 60 runs tell sd to 9 %
    assert delays.mean() == pytest.approx(0.008, abs=4 * delays.std() / np.sqrt(60))
    assert np.mean([x.u_gain for x in found]) == pytest.approx(np.std([x.gain for x in found]), rel=0.3)


def test_the_residual_is_what_delay_and_gain_do_not_explain():
    ripple = 0.002 * np.sin(2 * np.pi * 11 * T)
    actual = ellipse(T - 0.01)
    actual[:, 1] += ripple
    assert track(T, ellipse(T), actual).residual_rms == pytest.approx(0.002 / np.sqrt(2), rel=0.01)


def test_rows_with_gaps_are_left_out():
    actual, command = ellipse(T - 0.01), ellipse(T)
    actual[100:140], command[:2] = np.nan, np.nan
    found = track(T, command, actual)
    assert found.delay_s == pytest.approx(0.01, abs=2e-6)
    assert found.rows < len(T) - 40


@pytest.mark.parametrize(
    ("command", "actual", "words"),
    [
        (np.zeros(1000), np.zeros(1000), "does not move"),
        (T, T - 0.01, "does not tell delay, gain and offset apart"),
        (np.sin(T[:20]), np.sin(T[:20]), "usable rows"),
        (np.sin(9 * T), np.sin(9 * (T - 0.15)), "no delay within"),
        (np.sin(9 * T), np.zeros((1000, 2)), "same shape"),
    ],
)
def test_paths_that_tell_nothing_are_refused(command, actual, words):
    with pytest.raises(ValueError, match=words):
        track(T[: len(command)], command, actual)


STEPS = [row for row in table("control/second-order-step.csv") if row["zeta"] < 1]


@pytest.mark.parametrize("row", STEPS, ids=lambda row: f"damping {row['zeta']}")
def test_crossings_of_the_second_order_step(row):
    wn, zeta = row["wn"], row["zeta"]
    t = np.arange(0, 2, 0.001)
    wd = wn * np.sqrt(1 - zeta**2)
    y = 1 - np.exp(-zeta * wn * t) * (np.cos(wd * t) + zeta / np.sqrt(1 - zeta**2) * np.sin(wd * t))
    rise = crossings(t, y, 0.9, direction=1)[0] - crossings(t, y, 0.1, direction=1)[0]
    assert rise == pytest.approx(row["t_rise_10_90"], abs=1e-4)  # a tenth of a sample period
    assert crossings(t, y, 1.0)[0] == pytest.approx(row["t_first_cross_100"], abs=1e-4)


@given(st.floats(-0.99, 0.99), st.floats(0, 6))
def test_a_sine_crosses_as_often_as_theory_says(level, phase):
    t = np.linspace(0, 10, 20_001)
    y = np.sin(2 * np.pi * t + phase)
    up, down = crossings(t, y, level, direction=1), crossings(t, y, level, direction=-1)
    assert abs(len(up) - 10) <= 1
    assert np.sin(2 * np.pi * up + phase) == pytest.approx(level, abs=1e-5)
    assert np.array_equal(np.sort(np.concatenate([up, down])), crossings(t, y, level))


def test_crossings_at_samples_touches_and_gaps():
    t = np.arange(5.0)
    assert crossings(t, [-1, 0, 1, 2, 3], 0).tolist() == [1.0]
    assert crossings(t, [-1, 0, 0, 2, 3], 0).tolist() == [1.0]
    assert crossings(t, [1, 0, 1, 0, 1], 0).tolist() == []
    assert crossings(t, [-1, np.nan, 1, 2, -2], 0).tolist() == [3.5]
