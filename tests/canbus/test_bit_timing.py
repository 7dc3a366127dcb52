"""Bit timing, against python-can's own class as the second implementation."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import can
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.bit_timing import FARTHEST, RATES, RECOMMENDED, BitTiming, bit_timing
from legtest.errors import UsageError

REFERENCE = yaml.safe_load((Path(__file__).parents[1] / "references/canopen/canopen.yaml").read_text("utf-8"))
CLOCKS = [mega * 1_000_000 for mega in (8, 10, 12, 16, 20, 24, 32, 36, 40, 48, 60, 80)]


def theirs(timing: BitTiming) -> can.BitTiming:
    """The same setting, checked by python-can's strict rules, which include those of CiA 301 and ISO 11898-1."""
    return can.BitTiming(
        timing.clock_hz, timing.prescaler, timing.segment_1, timing.segment_2, timing.jump, strict=True
    )


def test_rates_and_sample_point_are_those_of_the_reference() -> None:
    assert {rate // 1000 for rate in RATES} == set(REFERENCE["bit_timing"]["rates_kbit"])
    assert f"{RECOMMENDED:.1%}" == REFERENCE["bit_timing"]["sample_point"].replace(" ", "")


@pytest.mark.parametrize(
    ("clock", "rate", "expected"),
    [  # 87.5 % is 7 of 8 or 14 of 16 quanta: worked by hand
        (16_000_000, 1_000_000, (1, 13, 2)),
        (8_000_000, 1_000_000, (1, 6, 1)),
        (80_000_000, 500_000, (10, 13, 2)),
        (20_000_000, 1_000_000, (1, 16, 3)),  # 17 of 20: 18 of 20 needs a longer segment 1 than there is
    ],
)
def test_known_settings(clock: int, rate: int, expected: tuple[int, int, int]) -> None:
    assert bit_timing(clock, rate)[1:4] == expected


@given(
    clock=st.sampled_from(CLOCKS), rate=st.sampled_from([*RATES, 100_000, 83_333]), percent=st.integers(50, 95)
)
def test_it_is_never_worse_than_the_reference_library(clock: int, rate: int, percent: int) -> None:
    """Whatever we give is exact and passes its strict check; whatever it finds exactly, we find as near or nearer."""
    reference = [
        timing
        for timing in can.BitTiming.iterate_from_sample_point(clock, rate, percent)
        if Fraction(clock, timing.brp * timing.nbt) == rate and 8 <= timing.nbt <= 25 and timing.brp <= 32
    ]
    wanted = Fraction(percent, 100)
    nearest = min((abs(Fraction(1 + t.tseg1, t.nbt) - wanted) for t in reference), default=None)
    try:
        ours = bit_timing(clock, rate, percent / 100)
    except UsageError:
        assert nearest is None or nearest > FARTHEST
        return
    strict = theirs(ours)
    assert ours.bit_rate == rate == strict.bitrate
    assert float(ours.sample_point) * 100 == pytest.approx(strict.sample_point)
    assert nearest is None or abs(ours.sample_point - wanted) <= nearest


@pytest.mark.parametrize(
    ("clock", "rate", "point", "says"),
    [
        (80_000_000, 3_000_000, RECOMMENDED, r"MHz does not divide to 3000 kbit/s.*this clock 1000, 800, 500"),
        (10_000_000, 800_000, RECOMMENDED, r"does not divide.*a clock of 8, 12, 16"),
        (8_000_000, 1_000_000, 0.8, r"nearest it can do: 75\.0%, 87\.5%"),
        (8_000_000, 0, RECOMMENDED, "above zero"),
        (8_000_000, 1_000_000, 0.4, "from 0.5"),
    ],
)
def test_what_cannot_be_says_what_would_work(clock: int, rate: int, point: float, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        bit_timing(clock, rate, point)


def test_what_a_refusal_offers_does_work() -> None:
    for rate in (1_000_000, 800_000, 500_000):
        assert bit_timing(80_000_000, rate).bit_rate == rate
    assert str(bit_timing(16_000_000, 1_000_000)).startswith("prescaler 1, segments 13 and 2, jump width 2 (16 quanta")
