"""Bit timing of classical CAN: prescaler and segments for a clock, a bit rate and a sample point.

A bit is one quantum of synchronisation, then segment 1 (propagation and phase 1), at whose end it is sampled, then
segment 2. The ranges are those of ISO 11898-1 for classical CAN, by way of the registers that controllers share:
prescaler 1 to 32, 8 to 25 quanta, segment 1 of 1 to 16, segment 2 of 1 to 8, jump width 1 to 4, not above segment 2.
CiA 301 recommends 87.5 % of the bit as the sample point.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from legtest.errors import UsageError

RECOMMENDED = 0.875  # CiA 301
RATES = (1_000_000, 800_000, 500_000, 250_000, 125_000, 50_000, 20_000, 10_000)  # bit/s, CiA 301
FARTHEST = Fraction(1, 40)  # of a bit, from the sample point that is asked for
_QUANTA, _SEGMENT_1, _SEGMENT_2, _LONGEST_JUMP = range(8, 26), range(1, 17), range(1, 9), 4
_PRESCALERS = range(1, 33)
_CLOCKS = tuple(mega * 1_000_000 for mega in (8, 10, 12, 16, 20, 24, 30, 32, 36, 40, 48, 60, 80))


class BitTiming(NamedTuple):
    """One setting of a controller: clock in Hz, prescaler, segments and jump width in quanta."""

    clock_hz: int
    prescaler: int
    segment_1: int
    segment_2: int
    jump: int

    @property
    def quanta(self) -> int:
        """Quanta of a bit, synchronisation included."""
        return 1 + self.segment_1 + self.segment_2

    @property
    def bit_rate(self) -> Fraction:
        """Bits per second."""
        return Fraction(self.clock_hz, self.prescaler * self.quanta)

    @property
    def sample_point(self) -> Fraction:
        """Where in the bit it is sampled, 0..1."""
        return Fraction(1 + self.segment_1, self.quanta)

    def __str__(self) -> str:
        return (
            f"prescaler {self.prescaler}, segments {self.segment_1} and {self.segment_2}, jump width {self.jump} "
            f"({self.quanta} quanta, sampled at {float(self.sample_point):.1%})"
        )


def bit_timing(clock_hz: int, bit_rate: int, sample_point: float = RECOMMENDED) -> BitTiming:
    """The setting that makes exactly this bit rate and samples nearest to the sample point (0..1).

    Of equally near ones that with the most quanta, which follows a foreign clock most finely. Raises UsageError where
    nothing gives the rate, or nothing within `FARTHEST` of the sample point, and says what would work.
    """
    wanted = Fraction(sample_point).limit_denominator(1000)
    if clock_hz <= 0 or bit_rate <= 0 or not Fraction(1, 2) <= wanted < 1:
        raise UsageError(
            f"bit timing: clock {clock_hz} Hz, {bit_rate} bit/s, sample point {sample_point:g}: clock and rate are "
            "above zero, the sample point is from 0.5 to below 1"
        )
    possible = sorted(_settings(clock_hz, bit_rate), key=lambda t: (abs(t.sample_point - wanted), -t.quanta))
    if not possible:
        raise UsageError(_no_rate(clock_hz, bit_rate))
    best = possible[0]
    if abs(best.sample_point - wanted) > FARTHEST:
        near = sorted({timing.sample_point for timing in possible}, key=lambda p: (abs(p - wanted), p))[:2]
        raise UsageError(
            f"bit timing: a clock of {clock_hz / 1e6:g} MHz at {bit_rate / 1000:g} kbit/s does not sample near "
            f"{float(wanted):.1%}; the nearest it can do: {', '.join(f'{float(point):.1%}' for point in near)}"
        )
    return best


def _settings(clock_hz: int, bit_rate: int) -> Iterator[BitTiming]:
    for quanta in _QUANTA:
        prescaler, rest = divmod(clock_hz, bit_rate * quanta)
        if rest or prescaler not in _PRESCALERS:
            continue
        for segment_2 in _SEGMENT_2:
            segment_1 = quanta - 1 - segment_2
            if segment_1 in _SEGMENT_1:
                yield BitTiming(clock_hz, prescaler, segment_1, segment_2, min(_LONGEST_JUMP, segment_2))


def _no_rate(clock_hz: int, bit_rate: int) -> str:
    rates = [rate for rate in RATES if any(_settings(clock_hz, rate))]
    clocks = [clock for clock in _CLOCKS if any(_settings(clock, bit_rate))]
    ways = []
    if rates:
        ways.append("with this clock " + ", ".join(f"{rate / 1000:g}" for rate in rates) + " kbit/s work")
    if clocks:
        ways.append("for this rate a clock of " + ", ".join(f"{clock / 1e6:g}" for clock in clocks) + " MHz works")
    return (
        f"bit timing: a clock of {clock_hz / 1e6:g} MHz does not divide to {bit_rate / 1000:g} kbit/s in 8 to 25 "
        f"quanta; {'; '.join(ways) or 'take a rate of CiA 301, 10 kbit/s to 1 Mbit/s'}"
    )
