"""The frame log, held against python-can's reader of the same format (CanutilsLogReader, python-can 4.6)."""

from __future__ import annotations

import contextlib
import io

import pytest
from can.io.canutils import CanutilsLogReader
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.candump import line, parse
from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.errors import RecordError

STANDARD = st.tuples(st.integers(0, 0x7FF), st.just(0))
LONG = st.tuples(st.integers(0, 0x1FFFFFFF), st.just(EXTENDED))
FAULTS = st.tuples(st.integers(0, 0x1FFFFFFF), st.just(ERROR))
CLASSIC = st.binary(max_size=8)
BODIES = st.one_of(
    st.tuples(CLASSIC, st.just(0)),
    st.tuples(CLASSIC.map(lambda data: bytes(len(data))), st.just(REMOTE)),
    st.tuples(st.binary(max_size=64), st.sampled_from([FD, FD | BRS])),
)


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    can_id, form = draw(st.one_of(STANDARD, LONG, FAULTS))
    data, body = draw(st.tuples(CLASSIC, st.just(0)) if form == ERROR else BODIES)
    return Frame(draw(st.integers(0, 10**16)), can_id, data, form | body | draw(st.sampled_from([0, SENT])))


@given(frames())
def test_every_frame_survives(frame: Frame) -> None:
    assert parse(line(frame)) == frame


@given(frames())
def test_python_can_reads_every_frame(frame: Frame) -> None:
    (message,) = CanutilsLogReader(io.StringIO(line(frame).decode()))
    assert message.timestamp == pytest.approx(frame.t_ns / 1e9, abs=1e-9, rel=1e-15)
    if frame.flags & ERROR and frame.can_id & 0x80:  # CAN_ERR_BUSERROR, the only error frame this reader knows
        assert message.is_error_frame
        return
    assert message.arbitration_id == frame.can_id
    assert message.is_extended_id == bool(frame.flags & (EXTENDED | ERROR))
    assert message.is_remote_frame == bool(frame.flags & REMOTE)
    assert message.is_fd == bool(frame.flags & FD)
    assert message.bitrate_switch == bool(frame.flags & BRS)
    assert message.is_rx != bool(frame.flags & SENT)
    assert message.dlc == len(frame.data)
    if not frame.flags & REMOTE:
        assert bytes(message.data) == frame.data


def test_the_text_is_that_of_can_utils() -> None:
    # Form of a line: man page of candump, option -L, and the comment at the top of log2asc (from memory).
    assert line(Frame(12_004_000_250, 0x182, bytes.fromhex("3704a1f0"))) == b"(12.004000250) can0 182#3704A1F0 R\n"
    assert line(Frame(5, 0x80, b"", SENT)) == b"(0.000000005) can0 080# T\n"
    assert line(Frame(0, 0x182, b"", EXTENDED)) == b"(0.000000000) can0 00000182# R\n"
    assert line(Frame(0, 1, bytes(4), REMOTE)) == b"(0.000000000) can0 001#R4 R\n"
    assert line(Frame(0, 1, b"\xab", FD | BRS)) == b"(0.000000000) can0 001##1AB R\n"


def test_lines_of_other_writers_are_read() -> None:
    assert parse(b"(1436509052.249713) vcan0 044#2a366c2bba\n") == Frame(
        1_436_509_052_249_713_000, 0x44, bytes.fromhex("2a366c2bba")
    )
    assert parse(b"(0.5) can1 123#R") == Frame(500_000_000, 0x123, b"", REMOTE)


@pytest.mark.parametrize(
    "text",
    [b"", b"\n", b"(1.0) can0 800# R\n", b"(1.0) can0 123#00112233445566778899 R\n", b"(1.0) can0 12#00 R",
     b"(1.0) can0 123#0 R", b"(1.0) can0 123#zz R", b"1.0 can0 123#00", b"(1.0) can0 123#R9", b"(1.0) can0 123##900",
     b"(1.0) can0 123#00 R trailing", b"(1.0) can0 C0000123#00", b"(1.0) can0 123#00 R\n(1.0) can0 123#00 R\n"],
)  # fmt: skip
def test_anything_else_is_refused(text: bytes) -> None:
    with pytest.raises(RecordError):
        parse(text)


@given(st.binary(max_size=60))
def test_noise_is_refused_or_read(text: bytes) -> None:
    with contextlib.suppress(RecordError):
        parse(text)
