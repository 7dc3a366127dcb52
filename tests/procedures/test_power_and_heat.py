"""Power, heat, and warming up: source resistance, braking, thermal rise, drag of a stiff joint."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np
import pytest
from made_up import LEG, moved
from simulated import assert_holds, simulated

from legtest.description import default_bench
from legtest.errors import NotRun, UsageError
from legtest.hands import Reading
from legtest.metrology.verdict import Word
from legtest.procedures import braking, heat, supply, warm_up
from legtest.quantities import QUANTITIES

NAMES = LEG.joint_names
RATED = LEG.joint("hip").drive.rated_torque_Nm


# ------------------------------------------------------------------ supply sag
def test_source_resistance_is_the_slope() -> None:
    """Ohm's law with an offset in the current and one in each voltage: the slope knows neither."""
    rng = np.random.default_rng(1)
    spans, taken = [], []
    for _ in range(supply.ROUNDS):
        for level in range(len(supply.SHARES)):
            current = 0.3 + 0.9 * level
            volts = {
                f"{n}.supply": 24.1 + 0.05 * k - 0.11 * current + rng.normal(0, 0.02, 400) for k, n in enumerate(NAMES)
            }
            spans.append((f"level {level}", volts))
            taken += [
                Reading("supply_current", current - 0.05 + rng.normal(0, 0.02), 0.03, "a meter", "", "", 0).plain()
                for _ in range(3)
            ]
    (m,) = supply.evaluate(moved(spans, {"readings_each": 3, "readings": taken}))
    assert_holds(m, 0.11)
    assert m.u < 0.1 * 0.11
    assert m.reference == "external"


def test_the_source_of_a_simulated_supply_and_one_that_is_weak() -> None:
    sound, weak = simulated("tarn-fl", 3), simulated("tarn-fl", 3, "weak-supply")
    for it, word in ((sound, Word.PASS), (weak, Word.FAIL)):
        m = it.run(supply.DECLARATION)["source_resistance"]
        assert_holds(m, it.truth(m))
        assert it.verdict(m) is word


def test_no_instrument_no_source_resistance() -> None:
    it = simulated("tarn-hopper", 3)
    it.bench.description = replace(default_bench(), instruments=())
    with pytest.raises(NotRun, match="needs an instrument for supply_current"):
        supply.run(it.bench)
    assert not it.bench.prechecks  # found out before anything moves


# ------------------------------------------------------------------ braking
def test_the_rise_is_that_of_the_highest_voltage() -> None:
    """A supply that rises and sinks as a triangle, read every 20 ms with noise at an instant that differs."""
    rng = np.random.default_rng(5)
    spans = [("rest", {f"{n}.supply": 24.0 + rng.normal(0, 0.02, 50) for n in NAMES})]
    for _ in range(6):
        at = np.arange(25) * 0.02 + rng.uniform(0, 0.02)
        volts = 24.0 + np.maximum(0.0, 3.0 - 6.0 * np.abs(at - 0.25))
        spans.append(("down", {f"{n}.supply": volts + rng.normal(0, 0.02, 25) for n in NAMES}))
        spans.append(("down after", {f"{n}.supply": 24.0 + rng.normal(0, 0.02, 10) for n in NAMES}))
    found = {m.quantity: m for m in braking.evaluate(moved(spans))}
    assert_holds(found["supply_rise"], 3.0)
    assert_holds(found["supply_peak"], 27.0)
    assert found["supply_rise"].u < 0.1


@pytest.mark.slow
def test_braking_raises_a_simulated_supply_and_more_so_without_capacitors() -> None:
    sound, small = simulated("tarn-fl", 3), simulated("tarn-fl", 3, "no-capacitors")
    rises = []
    for it, word in ((sound, Word.PASS), (small, Word.FAIL)):
        m = it.run(braking.DECLARATION, swings=4)["supply_rise"]
        assert_holds(m, it.rig.supply.highest_V - it.rig.plant.supply_V)
        assert it.verdict(m) is word
        rises.append(m.value)
    # The same energy: C (V^2 - V0^2) / 2, less what the drives draw while it lasts.
    energies = [c * ((24 + rise) ** 2 - 24**2) / 2 for c, rise in zip((10e-3, 1e-3), rises, strict=True)]
    assert energies[0] == pytest.approx(energies[1], rel=0.15)


# ------------------------------------------------------------------ heat
def _warming(rise: float, winding_s: float, housing: float, housing_s: float, load: float) -> list:
    """Two bodies by small steps (C dT/dt = P - G (T - T0)), read with 0.1 K, ten times in a second."""
    winding = case = 22.0
    step, seen = 0.01, []
    for k in range(15_000):
        winding += step / winding_s * (rise - (winding - case))
        case += step / housing_s * (housing / rise * (winding - case) - (case - 22.0))
        if k % 10 == 0:
            seen.append(round(winding, 1))
    temperature = np.repeat(seen, 25)  # one row every 4 ms
    cold = {"hip.temperature": np.full(500, 22.0)}
    return [("cold", cold), ("hold", {"hip.temperature": temperature, "hip.torque": np.full(len(temperature), load)})]


@pytest.mark.parametrize("share", [0.4, 0.8])
def test_two_bodies_are_told_apart(share: float) -> None:
    at_load = share**2
    spans = _warming(35.0 * at_load, 70.0, 25.0 * at_load, 900.0, share * RATED)
    # The torque is given: what is unsure about the current is no error here.
    found = {m.quantity: m for m in heat.evaluate(moved(spans, {"winding_max_C": 90.0}, "hip"))}
    assert_holds(found["winding_rise"], 35.0)
    assert found["winding_rise"].value == pytest.approx(35.0, rel=0.03)
    assert found["winding_time"].value == pytest.approx(70.0, rel=0.05)
    # IEC 60034-1's idea of a continuous duty: the torque whose final rise the winding just stands.
    assert_holds(found["continuous_torque"], RATED * sqrt((90.0 - 22.0) / 60.0))


def test_a_winding_that_hardly_warms_is_invalid() -> None:
    spans = _warming(0.5, 70.0, 0.3, 900.0, 0.5)
    found = heat.evaluate(moved(spans, {"winding_max_C": 90.0}, "hip"))
    assert all("1 K are needed" in m.invalid for m in found)


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "word"), [("", Word.PASS), ("bad-heat-path", Word.FAIL)])
def test_the_winding_of_a_simulated_leg(fault: str, word: Word) -> None:
    it = simulated("tarn-fl", 3, *([fault] if fault else []))
    found = it.run(heat.DECLARATION, "hip")
    for m in found.values():
        assert_holds(m, it.truth(m))
    assert it.verdict(found["winding_rise"]) is word


# ------------------------------------------------------------------ warming up
def _swung(drags: np.ndarray) -> list:
    """Swings of 100 rows about a centre, in which torque is +-drag beside a weight that depends on the angle."""
    phase = np.linspace(0.0, 2 * np.pi, 100)
    angle = warm_up.ARC_RAD * np.sin(phase)
    up = np.gradient(angle) > 0
    rng, spans = np.random.default_rng(6), []
    for drag in drags:
        torque = np.where(up, drag, -drag) + 0.5 * angle + rng.normal(0, 0.002, 100)
        columns = {f"{name}.{what}": np.zeros(100) for name in NAMES for what in ("position", "setpoint")}
        spans.append(("swing", columns | {"hip.position": angle, "hip.setpoint": angle, "hip.torque": torque}))
    return spans


@pytest.mark.parametrize(("change", "swings"), [(0.3, 8.0), (0.1, 15.0), (0.0, 8.0)])
def test_drag_that_settles(change: float, swings: float) -> None:
    drags = 0.2 * (1 + change * np.exp(-np.arange(60) / swings))
    found = {m.quantity: m for m in warm_up.evaluate(moved(_swung(drags), {"centre_rad": 0.0}, "hip"))}
    beginning = change * exp(0.5 / swings)  # the first drag is that of the middle of its swing
    assert_holds(found["warm_up_change"], beginning)
    assert_holds(found["warm_up_time"], 0.4 * swings * log(beginning / 0.02) if change else 0.0)


@pytest.mark.slow
def test_stiff_grease_is_noticed_and_gone_when_the_joint_is_warm() -> None:
    it = simulated("tarn-fl", 3, "stiff-when-cold")
    first = it.run(warm_up.DECLARATION, "hip", swings=45)
    assert it.verdict(first["warm_up_change"]) is Word.FAIL
    made = it.rig.plant.axes[1].drive
    swing_s, swing_rad = 2 * np.pi * warm_up.ARC_RAD / warm_up.SPEED_RAD_S, 4 * warm_up.ARC_RAD
    time_s = made.worn_in_rad / swing_rad * swing_s * log(first["warm_up_change"].value / 0.02)
    assert first["warm_up_time"].value == pytest.approx(time_s, rel=0.15)
    again = it.run(warm_up.DECLARATION, "hip", swings=30)
    left = made.stiff_cold * exp(-(46 * swing_rad) / made.worn_in_rad)
    assert abs(again["warm_up_change"].value) < left + 0.02
    assert it.verdict(again["warm_up_change"]) is Word.PASS


def test_too_few_are_refused() -> None:
    it = simulated("tarn-hopper", 1)
    with pytest.raises(UsageError, match="at least 12 are needed"):
        warm_up.run(it.bench, it.leg.joint("hip"), swings=5)
    with pytest.raises(UsageError, match="at least 3 are needed"):
        braking.run(it.bench, swings=1)


def test_every_quantity_is_in_the_catalogue() -> None:
    for procedure in (supply, braking, heat, warm_up):
        assert set(procedure.DECLARATION.quantities) <= set(QUANTITIES)
