"""Samples at full rate inside the page: differences of 16 bits in byte planes, deflated, base64.

A channel is a number of steps of `step` above `origin`; the page's script adds the differences up again. Where the wire
has a coarser step than 16 bits need, that step is taken and nothing is lost.
"""

from __future__ import annotations

import zlib
from base64 import b64encode
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
MISSING = 0xFFFF
_MOST = 32_767  # steps between two neighbours
_FINE = 60_000  # steps over the whole range, where the wire's own step is not known


class Channel(NamedTuple):
    """value of sample n = origin + step * (sum of the differences up to n). codes: (n,) uint16, zigzag, or MISSING."""

    origin: float
    step: float
    codes: NDArray[np.uint16]


def channel(values: FloatArray, wire_step: float = 0.0) -> Channel:
    """Pack one column (n,), NaN where a sample is missing. wire_step: the smallest step that was sent, 0 = not known.

    No value is moved by more than half a step.
    """
    missing = np.isnan(values)
    if missing.all():
        return Channel(0.0, 1.0, np.full(len(values), MISSING, np.uint16))
    origin = float(values[~missing][0])
    from_origin = np.where(missing, 0.0, values - origin)
    step, steps = _steps(from_origin, abs(wire_step))
    while True:
        held = steps[_last_present(missing)] if missing.any() else steps
        jumps = np.diff(held, prepend=0)
        largest = int(np.abs(jumps).max())
        if largest <= _MOST:
            break
        step *= largest / (_MOST - 1)
        steps = np.rint(from_origin / step).astype(np.int64)
    codes = ((jumps << 1) ^ (jumps >> 63)).astype(np.uint16)
    codes[missing] = MISSING
    return Channel(origin, step, codes)


def blob(channels: Sequence[Channel]) -> str:
    """All channels as one text: per channel the low bytes, then the high bytes, in a zlib stream (RFC 1950), base64."""
    planes = b"".join(half for c in channels for half in _halves(c.codes))
    return b64encode(zlib.compress(planes, 4)).decode("ascii")


def unpacked(each: Channel) -> FloatArray:
    """What the page's script makes of a channel, (n,)."""
    jumps = (each.codes >> 1).astype(np.int64) ^ -(each.codes & 1).astype(np.int64)
    missing = each.codes == MISSING
    values = each.origin + each.step * np.cumsum(np.where(missing, 0, jumps))
    return np.where(missing, np.nan, values)


def _halves(codes: NDArray[np.uint16]) -> tuple[bytes, bytes]:
    octets = codes.astype("<u2").view(np.uint8)
    return octets[::2].tobytes(), octets[1::2].tobytes()


def _steps(from_origin: FloatArray, wire_step: float) -> tuple[float, NDArray[np.int64]]:
    """The step, and each value as whole steps, (n,)."""
    low, high = float(from_origin.min()), float(from_origin.max())
    if wire_step > 0 and max(-low, high) < wire_step * (2**31 - 1):
        exact = from_origin / wire_step
        whole = np.rint(exact)
        if float(np.abs(exact - whole).max()) < 1e-3:
            return wire_step, whole.astype(np.int64)
    step = (high - low) / _FINE if high > low else 1.0
    return step, np.rint(from_origin / step).astype(np.int64)


def _last_present(missing: NDArray[np.bool_]) -> NDArray[np.int64]:
    """For each sample the last one before it that is not missing; before the first, the first."""
    at = np.where(missing, -1, np.arange(len(missing)))
    return np.where((last := np.maximum.accumulate(at)) < 0, int(np.argmin(missing)), last)
