"""`bench.read`: at standstill, within a recording, and in the record; not run where nothing can be read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import simulated

from legtest.errors import NotRun, UsageError
from legtest.procedures.readings import readings


def test_a_reading_is_in_the_record_and_no_further_from_the_truth_than_it_says() -> None:
    it = simulated("tarn-hopper", 3)
    it.bench.precheck()
    with it.bench.recording("anything", None, "a method", n=1) as recording:
        reading = it.bench.read("rail_height")
        it.bench.read("winding_temperature", "knee")
    assert recording.result is not None
    assert abs(reading.value - it.rig.truth().hip_height_m) < 4 * reading.u
    assert recording.result.arguments["n"] == 1
    assert readings(recording.result, "rail_height") == [reading]
    (warm,) = readings(recording.result, "winding_temperature")
    assert (warm.joint, warm.name) == ("knee", "contact thermometer at the motor")


def test_a_powered_leg_is_read_where_it_stands_still_and_not_while_it_moves() -> None:
    it = simulated("tarn-hopper", 3)
    with it.bench.recording("anything", None, "a method") as recording, it.bench.energised():
        it.bench.read("rail_height")
        rows = np.tile(it.bench.demand_rad, (40, 1))
        rows[:, 1] -= np.linspace(0.0, 0.1, 40)
        it.bench._port.play(it.bench.stretch(rows), it.bench._key())
        it.bench.wait = it.bench.rest = lambda s: it.bench._absorb(it.bench._port.pump(it.bench.now_ns() + 10**8))  # type: ignore[method-assign,assignment,return-value]
        with pytest.raises(UsageError, match="read at standstill, and the leg moves"):
            it.bench.read("rail_height")
    assert recording.result is not None
    assert len(readings(recording.result, "rail_height")) == 1


def test_without_an_instrument_or_a_recording() -> None:
    it = simulated("tarn-hopper", 3)
    with pytest.raises(UsageError, match="or it would be in no record"):
        it.bench.read("rail_height")
    it.bench.description = replace(it.bench.description, instruments=())
    it.bench.precheck()
    with (
        it.bench.recording("anything", None, "a method"),
        pytest.raises(NotRun, match="needs an instrument for rail_height: the bench simulated has none"),
    ):
        it.bench.read("rail_height")
