"""Frequency responses of known systems (tests/references/control/frequency-response.csv) through a noisy multisine."""

from __future__ import annotations

import numpy as np
import pytest
from metrology_references import REFERENCES, load

from legtest.metrology.spectra import (
    frequency_response,
    gain_crossing,
    multisine,
    odd_lines,
    phase_crossing,
    sines_fit,
)

SYSTEMS = {
    "first_order_tau_0.05": lambda s: 1 / (0.05 * s + 1),
    "pt2_z0.5_wn10": lambda s: 100 / (s**2 + 10 * s + 100),
    "integrator_lag_5/(s(0.1s+1))": lambda s: 5 / (s * (0.1 * s + 1)),
    "pi_2+10/s": lambda s: 2 + 10 / s,
    "notch_wn50": lambda s: (s**2 + 5 * s + 2500) / (s**2 + 70 * s + 2500),
    "dead_time_4ms": lambda s: np.exp(-0.004 * s),
}


def rows_of(system: str) -> list[list[str]]:
    lines = (REFERENCES / "control/frequency-response.csv").read_text(encoding="utf-8").splitlines()
    return [line.rsplit(",", 5) for line in lines if line.startswith(system + ",")]


@pytest.mark.parametrize("system", SYSTEMS)
def test_response_of_a_known_system_in_noise(system: str) -> None:
    """The lines are the table's own frequencies (multiples of 1 rad/s): estimates within 0.2 dB and 2 deg."""
    table = [[float(x) for x in row[1:]] for row in rows_of(system)]
    w = np.array([row[0] for row in table])
    period_s, rate, periods = 2 * np.pi, 250.0, 8
    rows = round(period_s * rate)
    step = period_s / rows
    t = np.arange(periods * rows) * step
    reference = np.tile(multisine(w, np.full(len(w), 0.02), rows), periods)
    U = sines_fit(t[:rows] / period_s, reference[:rows], w)
    H = SYSTEMS[system](1j * w)
    output = (np.exp(1j * np.outer(t, w)) @ (H * U)).real + np.random.default_rng(3).normal(0, 7e-5, len(t))
    output[777] = np.nan  # a lost frame
    found = frequency_response(t, reference, output, w, period_s)
    for h, (_, re, im, dB, degrees) in zip(found.H, table, strict=True):
        assert abs(h - complex(re, im)) < 0.02 * abs(complex(re, im)) + 2e-3
        assert abs(20 * np.log10(abs(h)) - dB) < 0.2
        turn = (np.degrees(np.angle(h)) - degrees + 180) % 360 - 180
        assert abs(turn) < 2.0
    assert (found.coherence > 0.95).all()
    assert found.periods == periods


def test_sine_of_known_frequency() -> None:
    """The three-parameter fit of IEEE Std 1057, constructed data: y = A cos + B sin + C."""
    x = load("control/identification.yaml")["sine_fit"]
    (c,) = sines_fit(np.arange(x["n"]) * x["cycles_per_sample"], x["y"], [1.0])
    assert (c.real, -c.imag) == pytest.approx([x["expect"][key] for key in "AB"], abs=1e-9)
    assert (abs(c), np.angle(c)) == pytest.approx((x["expect"]["amplitude"], x["expect"]["phase_rad"]), abs=1e-9)


def test_the_stated_uncertainty_is_the_scatter() -> None:
    w, rows, periods = odd_lines(1, 60, 12), 250, 6
    reference = np.tile(multisine(w, np.full(len(w), 1e-3), rows), periods)
    t = np.arange(periods * rows) / 250
    rng = np.random.default_rng(5)
    found = [frequency_response(t, reference, 0.7 * reference + rng.normal(0, 3e-4, len(t)), w, 1.0) for _ in range(60)]
    scatter = np.std([np.abs(f.H) for f in found], axis=0)
    stated = np.sqrt(np.mean([f.u**2 for f in found], axis=0))
    assert np.mean(scatter / stated) == pytest.approx(1.0, abs=0.1)


def test_coherence_falls_where_noise_drowns_the_answer() -> None:
    w, rows, periods = odd_lines(1, 60, 12), 250, 20
    reference = np.tile(multisine(w, np.full(len(w), 1e-3), rows), periods)
    t = np.arange(periods * rows) / 250
    noise = np.random.default_rng(5).normal(0, 0.02, len(t))
    assert frequency_response(t, reference, reference + noise, w, 1.0).coherence.mean() < 0.6
    clean = frequency_response(t, reference, reference, w, 1.0)
    assert clean.coherence == pytest.approx(1.0)
    assert clean.distortion < 1e-9
    bent = frequency_response(t, reference, reference + 50 * reference**2, w, 1.0)
    assert bent.distortion > 0.05


def test_bandwidth_of_a_first_order_lag() -> None:
    """-3 dB (half the power) at 1 / (2 pi tau); -45 deg there too; the dead time adds 360 f T degrees."""
    w, rows, periods, tau = odd_lines(1, 61, 30), 250, 4, 0.02
    reference = np.tile(multisine(w, 1e-2 / w, rows), periods)
    t = np.arange(periods * rows) / 250
    U = sines_fit(t[:rows], reference[:rows], w)
    H = 1 / (1 + 2j * np.pi * w * tau)
    found = frequency_response(t, reference, (np.exp(2j * np.pi * np.outer(t, w)) @ (H * U)).real, w, 1.0)
    everything = np.ones(len(w), bool)
    corner = 1 / (2 * np.pi * tau)
    assert gain_crossing(found, np.sqrt(0.5), everything)[0] == pytest.approx(corner, rel=5e-3)
    assert phase_crossing(found, -np.pi / 4, everything)[0] == pytest.approx(corner, rel=5e-3)
    assert np.isnan(gain_crossing(found, 1e-3, everything)[0])
    hidden = np.abs(found.frequency_hz - corner) > 2
    assert np.isnan(gain_crossing(found, np.sqrt(0.5), hidden)[0])  # what is not seen is not guessed


def test_lines_are_odd_and_phases_keep_the_peak_low() -> None:
    w = odd_lines(1, 99, 20)
    assert (w % 2 == 1).all()
    assert (np.diff(w) > 0).all()
    x = multisine(w, 1 / w, 1000)
    speed = np.diff(x, append=x[0])
    assert np.abs(speed).max() < 2.7 * speed.std()
    assert np.array_equal(x, multisine(w, 1 / w, 1000))


def test_one_period_is_no_response() -> None:
    t = np.arange(250) / 250
    with pytest.raises(ValueError, match="at least 2 whole periods"):
        frequency_response(t, np.cos(2 * np.pi * t), np.cos(2 * np.pi * t), [1.0], 1.0)
