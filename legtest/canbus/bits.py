"""How many bits a classical CAN frame takes on the wire, stuff bits included.

Counted exactly, as ISO 11898-1 sends it: the stuffed part (start of frame to the end of the CRC), then CRC
delimiter, acknowledge slot and delimiter, and seven end-of-frame bits. The three bits of interframe space
are not part of the frame. Worked with tables of bytes, because every simulated frame is measured.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

INTERFRAME_BITS = 3
_TAIL_BITS = 10  # CRC delimiter 1, acknowledge slot and delimiter 2, end of frame 7
_CRC_POLYNOMIAL = 0x4599  # CRC-15/CAN

# A stuffing state is a list: entry b (0..255) = (state after the 8 bits of b, stuff bits put in), entry
# 256 + b (0..127) = stuff bits put in by the 7 bits of b. Lists that hold each other need no arithmetic.
_State = list[Any]


def frame_bits(can_id: int, data: bytes, extended: bool = False, remote: bool = False) -> int:
    """Bits of a classical frame from start of frame to end of frame, stuff bits included.

    can_id: 11 bits, or 29 when `extended`. data: at most 8 bytes; of a `remote` frame only the length counts
    (it is the DLC; no data go on the wire). Raises ValueError for more than 8 bytes.
    """
    crc, state, bits = _header(can_id, len(data), extended, remote)
    if not remote:
        for table, byte in zip(_CRC_AT[len(data)], data, strict=True):
            crc ^= table[byte]
            state, stuffed = state[byte]
            bits += stuffed
        bits += 8 * len(data)
    state, stuffed = state[crc >> 7]
    return bits + stuffed + state[256 + (crc & 0x7F)]  # type: ignore[no-any-return]


@lru_cache(maxsize=4096)
def _header(can_id: int, dlc: int, extended: bool, remote: bool) -> tuple[int, _State, int]:
    """CRC so far (moved on past the data that follow), stuffing state, and all bits that don't depend on data."""
    if dlc > 8:
        raise ValueError(f"{dlc} data bytes do not fit a classical CAN frame")
    if extended:  # SOF, base id, SRR = 1, IDE = 1, id extension, RTR, r1, r0, DLC
        head = (can_id >> 18) << 27 | 0b11 << 25 | (can_id & 0x3FFFF) << 7 | remote << 6 | dlc
        length = 39
    else:  # SOF, id, RTR, IDE = 0, r0, DLC
        head = can_id << 7 | remote << 6 | dlc
        length = 19
    crc, stuffing, stuffed = 0, (1, 0), 0  # the bus was recessive, but only bits from SOF on are counted
    for i in reversed(range(length)):
        bit = head >> i & 1
        crc = _crc_bit(crc, bit)
        stuffing, more = _stuff_bit(stuffing, bit)
        stuffed += more
    for _ in range(0 if remote else 8 * dlc):
        crc = _crc_bit(crc, 0)
    return crc, _STATES[stuffing], length + stuffed + 15 + _TAIL_BITS


def _crc_bit(crc: int, bit: int) -> int:
    feedback = crc >> 14 ^ bit
    return (crc << 1 & 0x7FFF) ^ (_CRC_POLYNOMIAL if feedback else 0)


def _stuff_bit(stuffing: tuple[int, int], bit: int) -> tuple[tuple[int, int], int]:
    """(last bit, its run length) after one more bit, and 1 if a stuff bit follows it."""
    last, run = stuffing
    run = run + 1 if bit == last else 1
    return ((1 - bit, 1), 1) if run == 5 else ((bit, run), 0)


def _stuffing_states() -> dict[tuple[int, int], _State]:
    states: dict[tuple[int, int], _State] = {(last, run): [] for last in (0, 1) for run in range(5)}
    for start, state in states.items():
        for width in (8, 7):
            for byte in range(1 << width):
                now, stuffed = start, 0
                for i in reversed(range(width)):
                    now, more = _stuff_bit(now, byte >> i & 1)
                    stuffed += more
                state.append((states[now], stuffed) if width == 8 else stuffed)
    return states


def _crc_tables() -> list[tuple[list[int], ...]]:
    """For each data length: per byte position, what that byte adds to the CRC of the whole (the CRC is linear)."""
    last = []
    for byte in range(256):
        crc = 0
        for i in reversed(range(8)):
            crc = _crc_bit(crc, byte >> i & 1)
        last.append(crc)
    by_distance = [last]
    for _ in range(7):
        nearer, moved = by_distance[-1], []
        for crc in nearer:
            for _ in range(8):
                crc = _crc_bit(crc, 0)
            moved.append(crc)
        by_distance.append(moved)
    return [tuple(by_distance[n - 1 - i] for i in range(n)) for n in range(9)]


_STATES = _stuffing_states()
_CRC_AT = _crc_tables()
