"""Noise as a function of the instant.

One more reading must not shift the noise of those that follow, or looking at the leg would change the record. So the
noise of an instant is looked up from a hash of its time stamp, not drawn from a sequence.
"""

from __future__ import annotations

from statistics import NormalDist

_MASK = (1 << 64) - 1
_BITS = 12
_NORMAL = tuple(NormalDist().inv_cdf((i + 0.5) / (1 << _BITS)) for i in range(1 << _BITS))
_LOW = (1 << _BITS) - 1


def mix(key: int, t_ns: int) -> int:
    """64 well-mixed bits: output number t_ns of SplitMix64 from the state `key` (Steele, Lea, Flood 2014)."""
    z = (t_ns * 0x9E3779B97F4A7C15 + key) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return z ^ (z >> 31)


def normals(key: int, t_ns: int) -> tuple[float, float, float]:
    """Three independent standard normal values (4096 steps each) of the instant t_ns."""
    # mix() again, without the call: this runs for every reading.
    z = (t_ns * 0x9E3779B97F4A7C15 + key) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    z ^= z >> 31
    return _NORMAL[z & _LOW], _NORMAL[(z >> 16) & _LOW], _NORMAL[(z >> 32) & _LOW]
