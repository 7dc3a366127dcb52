"""The adapter's side of the serial line protocol, byte by byte.

The line forms are those of the Linux kernel's slcan driver and python-can's serial-line interface (from memory;
tests/simulation/test_serial_adapter.py holds them against the latter).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.frame import EXTENDED, REMOTE, Frame, frame
from legtest.simulation.serial_line import AdapterLine, frame_line, parse_frame


def opened() -> tuple[AdapterLine, list[Frame]]:
    sent: list[Frame] = []
    line = AdapterLine(1_000_000, sent.append)
    assert line.feed(b"S8\rO\r") == b"\r\r"
    return line, sent


def test_what_a_host_sends_on_opening_and_closing() -> None:
    line = AdapterLine(1_000_000, lambda sent: None)
    assert line.feed(b"C\rS8\r\rO\rO\r") == b"\r" * 5  # an empty line and a double O, as python-can does
    assert line.is_open
    assert line.feed(b"C\r") == b"\r"
    assert not line.is_open


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"t1FF411223344", frame(0x1FF, b"\x11\x22\x33\x44")),
        (b"t0000", frame(0)),
        (b"T1FFFFFFF1a5", frame(0x1FFFFFFF, b"\xa5", EXTENDED)),
        (b"r1238", frame(0x123, bytes(8), REMOTE)),
        (b"R000001230", frame(0x123, b"", EXTENDED | REMOTE)),
    ],
)
def test_frames(text: bytes, expected: Frame) -> None:
    line, sent = opened()
    answer = line.feed(text + b"\r")
    assert sent == [expected]
    assert answer == (b"Z\r" if text[:1] in b"TR" else b"z\r")
    assert frame_line(expected).upper() == text.upper() + b"\r"


@pytest.mark.parametrize(
    "text",
    [
        b"t8000",  # identifier too large
        b"t1239" + b"00" * 9,
        b"t12321",  # half a byte
        b"t123211",  # a byte too few
        b"t12311122",  # a byte too many
        b"t1x30",
        b"t123",
        b"T2000000000",
        b"T1230",
        b"r123811",
        b"t 120",
        b"t1231+1",
        b"x",
        b"d1230",
        b"Z1",
        b"S8",  # while open
        b"t" + b"0" * 100,
    ],
)
def test_refused_lines_send_nothing(text: bytes) -> None:
    line, sent = opened()
    answer = line.feed(text + b"\r")
    assert answer == b"\a"
    assert sent == []
    assert line.feed(b"t0010\r") == b"z\r"  # and the line goes on


def test_closed_listening_and_wrong_rate() -> None:
    sent: list[Frame] = []
    line = AdapterLine(1_000_000, sent.append)
    assert line.feed(b"t0010\r") == b"\a"
    assert line.feed(b"S6\rO\r") == b"\r\a"
    assert not line.is_open
    assert line.feed(b"S7\r") == b"\a"
    assert line.feed(b"s0014\rL\r") == b"\r\r"
    assert line.is_open
    assert line.feed(b"t0010\r") == b"\a"
    assert sent == []


def test_queries() -> None:
    line, _ = opened()
    assert line.feed(b"V\rN\rF\rZ0\r") == b"V0100\rNSIM1\rF00\r\r"


@given(can_id=st.integers(0, 0x7FF), data=st.binary(max_size=8), cuts=st.lists(st.integers(1, 5), max_size=9))
def test_pieces_of_any_size(can_id: int, data: bytes, cuts: list[int]) -> None:
    line, sent = opened()
    text = frame_line(frame(can_id, data))
    for cut in cuts:
        line.feed(text[:cut])
        text = text[cut:]
    line.feed(text)
    assert sent == [frame(can_id, data)]


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    line, sent = opened()
    line.feed(data)
    assert all(0 <= f.can_id <= 0x1FFFFFFF and len(f.data) <= 8 for f in sent)


@given(
    can_id=st.integers(0, 0x1FFFFFFF),
    data=st.binary(max_size=8),
    flags=st.sampled_from([EXTENDED, EXTENDED | REMOTE]),
)
def test_round_trip(can_id: int, data: bytes, flags: int) -> None:
    sent = frame(can_id, bytes(len(data)) if flags & REMOTE else data, flags)
    assert parse_frame(frame_line(sent)[:-1]) == sent
