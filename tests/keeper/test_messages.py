"""Messages of the pipe: there and back, bounded, and anything else is our own error and nothing worse."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import BusBusy, DriveError, LegStopped, LegtestError, LinkError, PrecheckRefused, SdoTimeout
from legtest.keeper import messages
from legtest.keeper.errors import error_of, refusal
from legtest.keeper.messages import LONGEST, Message, decode, encode
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckReport, PrecheckStep, TimingCounts

_NUMBER, _TEXT = st.integers(0, 2**40), st.text(max_size=20)
_FLOAT = st.floats(allow_nan=False, allow_infinity=False)
_KEY = st.builds(Permit, st.binary(min_size=16, max_size=16), st.sampled_from(["trial", "motion"]))
_FRAME = st.builds(Frame, st.integers(0, 2**62), st.integers(0, 0x1FFFFFFF), st.binary(max_size=64), st.integers(0, 63))
_STEP = st.builds(PrecheckStep, _TEXT, _TEXT, st.dictionaries(_TEXT, _FLOAT, max_size=3))
_COUNTS = st.builds(TimingCounts, st.lists(_NUMBER, max_size=5).map(tuple), _NUMBER, _NUMBER, _NUMBER)
_STEPS = st.lists(_STEP, max_size=3).map(tuple)
_REPORT = st.builds(PrecheckReport, _STEPS, _NUMBER, _KEY, _NUMBER)


@st.composite
def rows(draw: st.DrawFn) -> messages.Rows:
    width, length = draw(st.integers(1, 3)), draw(st.integers(0, 5))
    points = st.tuples(*[st.builds(Point, _FLOAT, _FLOAT, _FLOAT)] * width)
    times = draw(st.lists(st.integers(0, 2**62), min_size=length, max_size=length))
    return messages.Rows(tuple(times), tuple(draw(points) for _ in times))


ANY = st.one_of(
    st.builds(messages.Beat, _NUMBER),
    st.builds(messages.Ask, _NUMBER, st.sampled_from(get_args(messages.Question))),
    st.builds(messages.Energise, _NUMBER, _KEY),
    rows(),
    st.builds(messages.Play, _NUMBER, _KEY, st.lists(_TEXT, max_size=3).map(tuple), _NUMBER, _NUMBER),
    st.builds(messages.SetHome, _NUMBER, st.dictionaries(_TEXT, _FLOAT, max_size=3), _KEY),
    st.builds(messages.Stop, _NUMBER, st.sampled_from(Reaction), _TEXT),
    st.builds(messages.Hello, _NUMBER),
    st.builds(messages.Frames, _NUMBER, st.lists(_FRAME, max_size=5).map(tuple)),
    st.builds(messages.Event, _TEXT),
    st.builds(messages.Stopped, _TEXT),
    st.builds(messages.Done, _NUMBER, st.none() | _REPORT | _STEPS | _COUNTS),
    st.builds(messages.Refused, _NUMBER, _TEXT, st.lists(_TEXT, max_size=4).map(tuple), st.booleans()),
)


@given(ANY)
def test_there_and_back(message: Message) -> None:
    assert decode(encode(message)) == message


def _only_our_error(packet: bytes) -> None:
    try:
        message = decode(packet)
    except LinkError:
        return
    assert decode(encode(message)) == message  # by chance a message: then a whole one


@given(st.binary(max_size=300))
def test_any_bytes(packet: bytes) -> None:
    _only_our_error(packet)


@given(ANY, st.data())
def test_a_message_that_was_damaged(message: Message, data: st.DataObject) -> None:
    packet = bytearray(encode(message))
    if data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(packet) - 1))
        packet[at] ^= data.draw(st.integers(1, 255))
    else:
        del packet[data.draw(st.integers(0, len(packet) - 1)) :]
    _only_our_error(bytes(packet))


def test_what_is_too_long_is_neither_sent_nor_taken() -> None:
    with pytest.raises(LinkError, match="longer than"):
        encode(messages.Event("x" * LONGEST))
    with pytest.raises(LinkError, match="no message"):
        decode(encode(messages.Beat(1)) + b" " * LONGEST)


def test_a_set_point_that_is_no_number_is_refused() -> None:
    bad = messages.Rows((0,), ((Point(float("nan"), 0.0, 1.0),),))
    with pytest.raises(LinkError, match="no number"):
        decode(encode(bad))


def test_rows_of_a_table_fit_into_messages() -> None:
    table = tuple((Point(float(i), 0.0, 1.0),) * 3 for i in range(20_000))
    parts = messages.parts_of(range(20_000), table)
    assert len(parts) > 10
    assert max(len(encode(part)) for part in parts) < LONGEST / 2
    assert tuple(row for part in parts for row in part.rows) == table
    assert tuple(t for part in parts for t in part.times_ns) == tuple(range(20_000))
    with pytest.raises(LinkError, match="does not fit"):  # nothing wraps silently
        encode(messages.Rows((2**63,), ((Point(0.0, 0.0, 0.0),),)))


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (PrecheckRefused("step", "value", "expected", "cause", powered=True), PrecheckRefused),
        (LegStopped("the leg was stopped: x"), LegStopped),
        (BusBusy("in use"), BusBusy),
        (SdoTimeout("node 5 did not answer"), DriveError),
        (LegtestError("any"), LegtestError),
    ],
)
def test_errors_arrive_as_what_they_were(error: LegtestError, kind: type[LegtestError]) -> None:
    message = decode(encode(refusal(3, error)))
    assert isinstance(message, messages.Refused)
    found = error_of(message)
    assert type(found) is kind
    assert str(found) == str(error)


def test_an_error_that_nobody_knows_is_a_fault_of_the_pipe() -> None:
    for message in (messages.Refused(1, "SystemExit", ("x",), False), messages.Refused(1, "BusLost", (), False)):
        assert type(error_of(message)) is LinkError
