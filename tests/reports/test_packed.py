"""Samples inside the page: what is packed comes out again, and two samples stay two samples."""

from __future__ import annotations

import zlib
from base64 import b64decode

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from legtest.reports.packed import MISSING, blob, channel, unpacked

NUMBERS = st.floats(-1e9, 1e9) | st.just(float("nan"))


@given(arrays(np.float64, st.integers(1, 300), elements=NUMBERS), st.sampled_from([0.0, 1e-4, 6e-3]))
def test_no_value_moves_by_more_than_half_a_step(values: np.ndarray, wire_step: float) -> None:
    packed = channel(values, wire_step)
    back = unpacked(packed)
    np.testing.assert_array_equal(np.isnan(back), np.isnan(values))
    there = ~np.isnan(values)
    tolerance = 0.5 * packed.step * (1 + 1e-6) + 1e-12 * np.abs(values[there])
    assert (np.abs(back[there] - values[there]) <= tolerance).all()
    if there.any():
        extent = np.ptp(values[there])
        assert packed.step <= max(wire_step, 1.0, extent / 30_000)


@given(arrays(np.int64, st.integers(1, 200), elements=st.integers(-30_000, 30_000)), st.sampled_from([9.587e-5, 6e-3]))
def test_steps_of_the_wire_lose_nothing(counts: np.ndarray, step: float) -> None:
    counts = np.cumsum(counts) // 4
    packed = channel(counts * step, step)
    assert packed.step == step
    np.testing.assert_array_equal(np.rint(unpacked(packed) / step).astype(int), counts)


def test_a_jump_too_large_for_16_bits_makes_the_steps_coarser() -> None:
    values = np.array([0.0, 0.0, 1000.0, 0.0])
    packed = channel(values, 1e-3)
    assert packed.step > 1e-3
    np.testing.assert_allclose(unpacked(packed), values, atol=packed.step / 2)
    assert packed.step < 0.04


def test_layout_of_the_blob() -> None:
    first, second = channel(np.array([0.0, 1.0, -300.0]), 1.0), channel(np.full(3, np.nan))
    planes = zlib.decompress(b64decode(blob([first, second])))
    # Differences 0, 1, -301 in zigzag code: 0, 2, 601 = 0x0259; then three missing samples.
    assert planes == bytes([0, 2, 0x59, 0, 0, 0x02, *[0xFF] * 6])
    assert MISSING == 0xFFFF


def test_a_quiet_channel_costs_next_to_nothing() -> None:
    assert len(blob([channel(np.full(900_000, 9.0), 0.006)])) < 4000


@pytest.mark.parametrize("values", [[], [np.nan], [5.0]])
def test_small_channels(values: list[float]) -> None:
    np.testing.assert_array_equal(unpacked(channel(np.array(values))), values)
