"""The egress gate: what is not listed is denied, and nothing that energises passes without a grant for that axis."""

from __future__ import annotations

import pytest
from bench_leg import energises, make_setup
from hypothesis import example, given
from hypothesis import strategies as st

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.canbus.wiremap import Point, setpoint_encoder
from legtest.safety import sdo
from legtest.safety.gate import HEARTBEAT, Gate, payload
from legtest.safety.permit import Grant

SETUP = make_setup()
GATE = Gate(SETUP)
NODES = [axis.node for axis in SETUP.axes]
ALL = Grant("motion", (0, 1, 2), SETUP.torque_Nm, 1000)
TRIAL = Grant("trial", (1,), SETUP.trial_torque_Nm, 1000)


def passes(frame: Frame, grant: Grant | None = None, *, now_ns: int = 0, powered: bool = False) -> bool:
    return GATE.refusal(frame, grant, now_ns, powered) == ""


BASES = (0, 0x80, 0x180, 0x200, 0x280, 0x300, 0x380, 0x400, 0x500, 0x580, 0x600, 0x700)
near_ids = st.sampled_from([base + node for base in BASES for node in (0, 1, 2, 3, 4, 127)])
near_words = st.builds(lambda word, tail: bytes((word, 0)) + tail, st.integers(0, 255), st.just(b""))
downloads = st.builds(
    lambda command, index, sub, data: bytes((command, index & 0xFF, index >> 8, sub)) + data,
    st.sampled_from([0x21, 0x22, 0x23, 0x27, 0x2B, 0x2F, 0x00, 0x0D, 0x10, 0xC0, 0xC2, 0xA4, 0x40, 0x60, 0x80]),
    st.sampled_from([0x6040, 0x6060, 0x607A, 0x6072, 0x607C, 0x607D, 0x1016, 0x1017, 0x1400, 0x1600, 0x605A, 0x6085]),
    st.integers(0, 3),
    st.binary(min_size=4, max_size=4),
)
datas = st.one_of(st.binary(max_size=8), near_words, downloads)
frames = st.builds(Frame, st.just(0), st.one_of(st.integers(0, 0x7FF), near_ids), datas)


@given(frames, st.booleans())
@example(Frame(0, 0x201, b"\x0f\x00"), False)
@example(Frame(0, 0x203, b"\x1f\x00"), False)
@example(Frame(0, 0x202, b"\x80\x00"), False)
def test_nothing_that_energises_passes_without_a_grant(frame: Frame, powered: bool) -> None:
    """Judged by `energises`, which knows CiA 301 and CiA 402 only, and by the patterns of the wire map itself."""
    if energises(frame) or any(p.matches(frame) for axis in SETUP.axes for p in axis.energising):
        assert not passes(frame, powered=powered)


@given(frames, st.sampled_from([0, 1, 2]), st.booleans())
@example(Frame(0, 0x201, b"\x0f\x00"), 1, True)
def test_a_grant_for_one_axis_energises_no_other(frame: Frame, axis: int, powered: bool) -> None:
    grant = Grant("trial", (axis,), SETUP.trial_torque_Nm, 1000)
    if energises(frame) and passes(frame, grant, powered=powered):
        assert frame.can_id & 0x7F == NODES[axis]


@given(frames, st.integers(1000, 2000))
@example(Frame(0, 0x201, b"\x0f\x00"), 1000)
def test_an_ended_grant_is_none(frame: Frame, now_ns: int) -> None:
    if energises(frame):
        assert not passes(frame, ALL, now_ns=now_ns, powered=True)


def test_the_frames_of_enabling_pass_under_their_grant() -> None:
    for index, axis in enumerate(SETUP.axes):
        for step in axis.enable:
            assert passes(step.frame, ALL, powered=True)
            assert not passes(step.frame)
            assert passes(step.frame, TRIAL, powered=True) == (index == 1)


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_default_deny(can_id: int, data: bytes) -> None:
    """Unpowered and without a grant only these identifiers have frames that pass at all."""
    if passes(Frame(0, can_id, data)):
        assert can_id in {0x000, 0x080, 0x77F} | {base + node for base in (0x200, 0x600) for node in NODES}


@given(frames, st.sampled_from([EXTENDED, FD, BRS, REMOTE, ERROR, SENT, EXTENDED | REMOTE]))
def test_only_plain_data_frames_leave(frame: Frame, flags: int) -> None:
    assert not passes(frame._replace(flags=flags), ALL, powered=True)


def test_stopping_needs_nothing() -> None:
    """Whoever asks, powered or not: disable voltage, quick stop, NMT stop and SYNC."""
    stops = [Frame(0, 0x200 + node, bytes((word, 0))) for node in NODES for word in (0x00, 0x02)]
    for frame in (*stops, Frame(0, 0x000, b"\x02\x00"), Frame(0, 0x080, b"")):
        for powered in (False, True):
            assert passes(frame, powered=powered)


def test_nobody_asks_for_a_heartbeat() -> None:
    """It leaves with a completed pass of the monitor, which needs no gate; any other would hide a hung host."""
    for powered in (False, True):
        assert GATE.refusal(HEARTBEAT, ALL, 0, powered) == "this frame is not known to be harmless"


@pytest.mark.parametrize("data", ["8100", "8200", "0100", "8000", "8101", "0104"])
def test_no_node_is_reset_and_strangers_are_left_alone(data: str) -> None:
    assert not passes(Frame(0, 0x000, bytes.fromhex(data)))


def test_nodes_are_started_only_unpowered() -> None:
    frame = Frame(0, 0x000, b"\x01\x02")
    assert passes(frame)
    assert GATE.refusal(frame, ALL, 0, True) == "nodes are not started while the leg is powered"
    assert GATE.refusal(frame, None, 0, True) == "nodes are not started while the leg is powered"


def test_nodes_may_be_asked_when_nothing_controls_them_any_more() -> None:
    """Pre-operational: no process data, object access only. After a stop that was given up that takes nothing away."""
    frame = Frame(0, 0x000, b"\x80\x02")
    assert passes(frame)
    assert passes(frame, powered=True)
    assert GATE.refusal(frame, ALL, 0, True) == "nodes are not stopped while the leg is under control"


@pytest.mark.parametrize("command", [0x23, 0x27, 0x2B, 0x2F, 0x21, 0x20, 0x00, 0x10, 0xC0])
def test_a_write_of_what_the_precheck_wrote_is_known(command: int) -> None:
    """CiA 301: every client command of a download, whatever its length or kind."""
    write = SETUP.objects[1][8]
    key = bytes((write.entry & 0xFF, write.entry >> 8, write.sub))
    assert GATE.setting(Frame(0, 0x602, bytes((command,)) + key + bytes(4))) == write.what


@pytest.mark.parametrize(
    ("can_id", "data"),
    [
        (0x602, "40 85 60 00 00000000"), (0x602, "60 85 60 00 00000000"), (0x602, "70 85 60 00 00000000"),
        (0x602, "80 85 60 00 00000000"), (0x602, "23 16 10 01 00000000"), (0x602, ""), (0x582, "23 85 60 00 00000000"),
        (0x604, "23 85 60 00 00000000"),
    ],
)  # fmt: skip
def test_reading_arming_and_strangers_change_no_setting(can_id: int, data: str) -> None:
    assert GATE.setting(Frame(0, can_id, bytes.fromhex(data))) == ""


# ---------------------------------------------------------------------- set-points

caps = st.floats(0.0, 60.0)


def setpoint(axis: int, point: Point) -> Frame:
    can_id, encode = setpoint_encoder(SETUP.axes[axis])
    return Frame(0, can_id, encode(point))


@given(st.sampled_from([0, 1, 2]), st.floats(-3, 3), st.floats(-60, 60), caps)
def test_torque_beyond_the_grant_is_refused(axis: int, position: float, forward: float, cap: float) -> None:
    """Read from the payload by the map of CiA 402: i32 position, i16 and u16 per mille of 6 N*m."""
    frame = setpoint(axis, Point(position, forward, cap))
    raw_forward = int.from_bytes(frame.data[4:6], "little", signed=True)
    raw_cap = int.from_bytes(frame.data[6:8], "little")
    allowed = max(abs(raw_forward), raw_cap) <= 3000  # 18 N*m
    assert passes(frame, ALL, powered=True) == allowed
    small = Grant("motion", (0, 1, 2), SETUP.trial_torque_Nm, 1000)  # 2.7 N*m
    assert passes(frame, small, powered=True) == (max(abs(raw_forward), raw_cap) <= 450)


@pytest.mark.parametrize("length", [0, 2, 7])
def test_a_set_point_has_its_length(length: int) -> None:
    assert not passes(Frame(0, 0x301, bytes(length)), ALL, powered=True)
    assert passes(Frame(0, 0x301, bytes(8)), ALL, powered=True)


# ---------------------------------------------------------------------- object access


def requests() -> list[Frame]:
    """Every write of the set-up as its SDO request."""
    made = []
    for index, axis in enumerate(SETUP.axes):
        writes = [*SETUP.objects[index], SETUP.arm[index], SETUP.disarm[index]]
        assert axis.home is not None
        writes += [*axis.home.before, *axis.home.after]
        made += [next(sdo.write(axis.node, w.entry, w.sub, payload(w))) for w in writes]
    return made


def test_the_set_up_may_be_written_unpowered_only() -> None:
    for frame in requests():
        assert passes(frame)
        assert passes(frame, ALL)
        assert GATE.refusal(frame, ALL, 0, True) == "objects are not written while the leg is powered"


KNOWN = {(f.can_id, f.data) for f in requests()}


@given(st.sampled_from(requests()), st.integers(0, 7), st.integers(1, 255))
def test_one_byte_beside_the_set_up_is_refused(frame: Frame, place: int, change: int) -> None:
    """Another value, object, sub-index, length or command; but not bytes beyond the value's length."""
    data = bytearray(frame.data)
    data[place] ^= change
    size = 4 - ((frame.data[0] >> 2) & 3)
    other = Frame(0, frame.can_id, bytes(data))
    if place >= 4 + size or data[0] in (0x40, 0x60, 0x70, 0x80) or (other.can_id, other.data) in KNOWN:
        return
    if data[1:4] == b"\x7c\x60\x00" and data[0] == 0x23:
        return  # the home offset takes any value
    assert not passes(other)


@given(st.binary(min_size=4, max_size=4))
def test_the_home_offset_takes_any_value_unpowered(data: bytes) -> None:
    frame = Frame(0, 0x601, b"\x23\x7c\x60\x00" + data)
    assert passes(frame)
    assert not passes(frame, ALL, powered=True)
    assert not passes(Frame(0, 0x601, b"\x2b\x7c\x60\x00" + data))


@given(st.integers(0, 0xFFFF), st.integers(0, 255))
def test_reading_is_always_allowed(index: int, sub: int) -> None:
    assert passes(next(sdo.read(2, index, sub)), powered=True)


@pytest.mark.parametrize("command", [c for c in range(256) if c not in (0x40, 0x60, 0x70, 0x80)])
def test_no_other_way_of_writing_leaves(command: int) -> None:
    """Segmented and block downloads, sizes not said: 0x6072 with the value of the set-up, every command byte."""
    frame = Frame(0, 0x601, bytes((command, 0x72, 0x60, 0)) + (3000).to_bytes(2, "little") + b"\0\0")
    assert passes(frame) == (command == 0x2B)


@pytest.mark.parametrize("length", [0, 1, 4, 7])
def test_an_object_access_has_eight_bytes(length: int) -> None:
    assert GATE.refusal(Frame(0, 0x601, b"\x40\x18\x10\x01\0\0\0\0"[:length]), None, 0, False) != ""
