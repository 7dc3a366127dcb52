"""Frame lengths against tests/references/can (its sources: ISO 11898-1, Davis et al. 2007, exhaustive counts)."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.bits import INTERFRAME_BITS, frame_bits

REFERENCES = Path(__file__).parents[1] / "references" / "can"
CAN: dict[str, Any] = yaml.safe_load((REFERENCES / "can.yaml").read_text(encoding="utf-8"))
LENGTHS = list(
    csv.DictReader(
        line for line in (REFERENCES / "classic-lengths.csv").read_text("utf-8").splitlines() if line[0] != "#"
    )
)
FRAMES = CAN["frames"]["classic"]


def test_the_reference_is_whole() -> None:
    assert len(FRAMES) == 21
    assert len(LENGTHS) == 9


@pytest.mark.parametrize("case", FRAMES, ids=lambda case: f"{case['id']}-{case['data']}-{case.get('remote', False)}")
def test_worked_frames(case: dict[str, Any]) -> None:
    remote = case.get("remote", False)
    data = bytes(case["dlc"]) if remote else bytes.fromhex(case["data"])
    assert frame_bits(int(case["id"], 16), data, case.get("extended", False), remote) == case["bits_without_ifs"]


@given(can_id=st.integers(0, 0x7FF), data=st.binary(max_size=8))
def test_standard_frames_lie_between_the_bounds(can_id: int, data: bytes) -> None:
    row = LENGTHS[len(data)]
    assert int(row["std_min"]) <= frame_bits(can_id, data) + INTERFRAME_BITS <= int(row["std_max"])


@given(can_id=st.integers(0, 0x1FFFFFFF), data=st.binary(max_size=8))
def test_extended_frames_lie_between_the_bounds(can_id: int, data: bytes) -> None:
    row = LENGTHS[len(data)]
    assert int(row["ext_min"]) <= frame_bits(can_id, data, extended=True) + INTERFRAME_BITS <= int(row["ext_max"])


@pytest.mark.parametrize("length", [0, 1])
def test_all_short_frames(length: int) -> None:
    """Every identifier with every payload of 0 and 1 byte: worst stuffing, how often, and the mean."""
    expected = CAN["exhaustive_standard"][length]
    payloads = [b""] if length == 0 else [bytes((byte,)) for byte in range(256)]
    unstuffed = 44 + 8 * length
    stuffed = [frame_bits(can_id, data) - unstuffed for can_id in range(0x800) for data in payloads]
    assert max(stuffed) == expected["max_stuff"]
    assert stuffed.count(max(stuffed)) == expected["frames_at_max"]
    assert sum(stuffed) / len(stuffed) == pytest.approx(expected["mean_stuff"], abs=6e-5)  # printed with four decimals


# Bytes that go on where a stuff bit left off: with them frames come close to one stuff bit for each four bits.
RUNS = st.lists(st.sampled_from(b"\x00\xff\x0f\xf0\x1e\xe1\x3c\xc3\x78\x87"), max_size=8).map(bytes)


@given(can_id=st.integers(0, 0x7FF), data=st.binary(max_size=8) | RUNS, extended=st.booleans())
def test_tables_agree_with_bits_counted_one_by_one(can_id: int, data: bytes, extended: bool) -> None:
    """An own second way: the frame written out as text, CRC by polynomial division, stuff bits by looking back."""
    if extended:
        head = f"0{0:011b}11{can_id:018b}000{len(data):04b}"
    else:
        head = f"0{can_id:011b}000{len(data):04b}"
    bits = head + "".join(f"{byte:08b}" for byte in data)
    remainder = int(bits, 2) << 15
    for shift in range(len(bits) - 1, -1, -1):
        if remainder >> (shift + 15) & 1:
            remainder ^= (1 << 15 | 0x4599) << shift
    wire = ""
    for bit in bits + f"{remainder:015b}":
        wire += bit
        if wire[-5:] in ("00000", "11111"):
            wire += "1" if bit == "0" else "0"
    assert frame_bits(can_id, data, extended) == len(wire) + 10


def test_too_long() -> None:
    with pytest.raises(ValueError, match="9 data bytes"):
        frame_bits(1, bytes(9))
