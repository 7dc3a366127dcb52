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

# A stuffing state knows the last bit, its run length and the stuff bits put in so far. It is a list: entry b (0..255)
# is the state after the 8 bits of b, entry 256 + b (0..127) all stuff bits put in when the 7 bits of b come last.
# Lists that hold each other need no arithmetic: one look-up a byte.
_State = list[Any]
_MOST_STUFFED = 27  # before the last 7 bits: one for each four of the 111 bits (extended, 8 bytes) after the first


def frame_bits(can_id: int, data: bytes, extended: bool = False, remote: bool = False) -> int:
    """Bits of a classical frame from start of frame to end of frame, stuff bits included.

    can_id: 11 bits, or 29 when `extended`. data: at most 8 bytes; of a `remote` frame only the length counts
    (it is the DLC; no data go on the wire). Raises ValueError for more than 8 bytes.
    """
    length = len(data)
    crc, state, bits = _header(can_id, length, extended, remote)
    if length == 8 and not remote:  # the usual process data, without a loop
        a, b, c, d, e, f, g, h = data
        crc ^= _A[a] ^ _B[b] ^ _C[c] ^ _D[d] ^ _E[e] ^ _F[f] ^ _G[g] ^ _H[h]
        state = state[a][b][c][d][e][f][g][h]
    elif not remote:
        for table, byte in zip(_CRC_AT[length], data, strict=True):
            crc ^= table[byte]
            state = state[byte]
    return bits + state[crc >> 7][256 + (crc & 0x7F)]  # type: ignore[no-any-return]


@lru_cache(maxsize=4096)
def _header(can_id: int, dlc: int, extended: bool, remote: bool) -> tuple[int, _State, int]:
    """CRC so far (moved on past the data that follow), stuffing state, and all bits but the stuff bits."""
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
    data_bits = 0 if remote else 8 * dlc
    for _ in range(data_bits):
        crc = _crc_bit(crc, 0)
    return crc, _STATES[stuffed][stuffing], length + data_bits + 15 + _TAIL_BITS


def _crc_bit(crc: int, bit: int) -> int:
    feedback = crc >> 14 ^ bit
    return (crc << 1 & 0x7FFF) ^ (_CRC_POLYNOMIAL if feedback else 0)


def _stuff_bit(stuffing: tuple[int, int], bit: int) -> tuple[tuple[int, int], int]:
    """(last bit, its run length) after one more bit, and 1 if a stuff bit follows it."""
    last, run = stuffing
    run = run + 1 if bit == last else 1
    return ((1 - bit, 1), 1) if run == 5 else ((bit, run), 0)


def _stuffing_states() -> list[dict[tuple[int, int], _State]]:
    """The states by the number of stuff bits so far, then by last bit and run length."""
    steps = {(last, run): _stuffing_steps((last, run)) for last in (0, 1) for run in range(5)}
    states: list[dict[tuple[int, int], _State]] = [{key: [] for key in steps} for _ in range(_MOST_STUFFED + 3)]
    for so_far, by_run in enumerate(states[:-2]):  # a byte adds at most two
        for start, state in by_run.items():
            whole, last = steps[start]
            state += [states[so_far + more][after] for after, more in whole]
            state += [so_far + more for _, more in last]
    return states


def _stuffing_steps(start: tuple[int, int]) -> list[list[tuple[tuple[int, int], int]]]:
    """For the 8 bits of each byte, then for the 7 bits of each half: where they lead, and their stuff bits."""
    steps = []
    for width in (8, 7):
        ends = [(start, 0)]
        for _ in range(width):  # one bit more: number n becomes 2n and 2n + 1
            nexts = [(_stuff_bit(now, bit), stuffed) for now, stuffed in ends for bit in (0, 1)]
            ends = [(after, stuffed + more) for (after, more), stuffed in nexts]
        steps.append(ends)
    return steps


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
_A, _B, _C, _D, _E, _F, _G, _H = _CRC_AT[8]
