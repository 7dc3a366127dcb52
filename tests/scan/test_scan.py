"""Scanning a bus: what is found on a good one, and broken benches named as what they are."""

from __future__ import annotations

from itertools import pairwise

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from scanned_bus import LEG, MS, RATE, Bench, Noisy, S, StillAxis, names

from legtest.canbus.frame import ERROR, EXTENDED, FD, REMOTE, Frame
from legtest.errors import BusBusy, BusLost, NotPermitted
from legtest.scan import proposal
from legtest.scan.ask import Reads
from legtest.scan.listen import error_words, hear, kind_of
from legtest.simulation.config import DriveConfig, Identity
from legtest.simulation.node import DriveNode

# Classes and violations of linux/can/error.h: CAN_ERR_PROT and CAN_ERR_BUSERROR with stuff, form; ACK; BUSOFF.
STUFF = (0x088, bytes((0, 0, 0x04, 0, 0, 0, 0, 0)))
FORM = (0x088, bytes((0, 0, 0x02, 0, 0, 0, 0, 0)))
NO_ACK = (0x020, bytes(8))
BUS_OFF = (0x040, bytes(8))
BARE = (0, b"")  # what an adapter says that only knows that something was wrong


# ---------------------------------------------------------------- a good bus
def test_a_good_bench_has_no_findings_and_is_described() -> None:
    scan = Bench().scan()
    assert scan.findings == ()
    assert scan.unasked == ""
    assert scan.heard.states == {1: 0x7F, 2: 0x7F, 3: 0x7F}
    assert scan.heard.periods_s == pytest.approx({1: 0.1, 2: 0.1, 3: 0.1}, rel=1e-3)
    assert scan.asked is not None
    assert [(each.node, each.identities) for each in scan.asked] == [(e.node, (e.identity,)) for e in LEG]
    assert {each.texts["firmware"] for each in scan.asked} == {"1.0"}
    assert {each.texts["name"] for each in scan.asked} == {"Tarn axis"}, "nine characters: a segmented answer"
    assert [each.numbers["rated_torque_mNm"] for each in scan.asked] == [6000] * 3


def test_a_scan_reads_and_nothing_else() -> None:
    """On the wire, after a whole scan: requests to read, and not one frame that a drive could act on."""
    bench = Bench()
    bench.scan()
    host = [frame for frame in bench.wire if 0x600 < frame.can_id < 0x680]
    assert len(host) > 127
    assert {frame.data[0] for frame in host} <= {0x40, 0x60, 0x70}
    others = {frame.can_id & 0x780 for frame in bench.wire if frame not in host}
    assert others <= {0x580, 0x700}
    assert [axis.enabled for axis in bench.axes] == [0, 0, 0]


class Nowhere:
    """A link that remembers what was sent."""

    def __init__(self) -> None:
        self.sent: list[Frame] = []

    def now_ns(self) -> int:
        return 0

    def send(self, frame: Frame) -> None:
        self.sent.append(frame)

    def pump(self, until_ns: int) -> list[Frame]:
        return []

    def close(self) -> None: ...


@given(
    st.one_of(st.integers(0, 0x7FF), st.integers(0x5FE, 0x682), st.integers(0x6FE, 0x782)),
    st.binary(max_size=8) | st.sampled_from([b"\x40" + bytes(7), b"\x23" + bytes(7), b"\x00"]),
    st.sampled_from([0, 0, EXTENDED, REMOTE, FD, ERROR]),
)
def test_only_reads_get_through(can_id: int, data: bytes, flags: int) -> None:
    link = Nowhere()
    frame = Frame(0, can_id, data, flags)
    # By CiA 301: client command specifier 2 (initiate upload) or 3 (upload segment) in the upper three bits.
    asks = flags == 0 and 0x601 <= can_id <= 0x67F and len(data) == 8 and data[0] >> 5 in (2, 3)
    guards = flags == REMOTE and 0x701 <= can_id <= 0x77F
    try:
        Reads(link).send(frame)
    except NotPermitted:
        assert link.sent == []
    else:
        assert asks or guards


@pytest.mark.parametrize("command", sorted(set(range(256)) - set(range(0x40, 0x80))))
def test_no_other_object_access_gets_through(command: int) -> None:
    """All but initiate upload and upload segment: downloads above all, blocks and aborts as well."""
    link = Nowhere()
    for can_id in (0x601, 0x67F):
        with pytest.raises(NotPermitted, match="a scan only reads"):
            Reads(link).send(Frame(0, can_id, bytes((command,)) + bytes(7)))
    assert link.sent == []


def test_load_is_what_the_bus_counted() -> None:
    bench = Bench(beat_ms=0)
    bench.every(1 * MS, 0x181, b"\x12\x34\x00\x00\xff\xff\xff\xff")
    before = bench.bus.load()
    scan = bench.scan(may_ask=False)
    after = bench.bus.load()
    counted = (after.busy_ns - before.busy_ns) / (after.span_ns - before.span_ns)
    assert scan.heard.load == pytest.approx(counted, rel=2e-3)
    (seen,) = scan.heard.seen
    assert (seen.kind, seen.node, seen.frames) == ("TPDO1", 1, 1999)  # the last has not ended yet
    assert seen.period_s == pytest.approx(1e-3, rel=1e-3)


def test_a_piece_of_leg_file_holds_what_the_bus_says_and_marks_the_rest() -> None:
    scan = Bench().scan(expected=())
    assert scan.asked is not None
    joints = yaml.safe_load(proposal(scan.asked))["joints"]
    assert [joint["drive"]["serial"] for joint in joints.values()] == [4101, 4102, 4103]
    drive = joints["FILL-IN-3"]["drive"]
    assert drive == {
        "protocol": "cia402", "node": 3, "eds": "FILL-IN.eds", "counts_per_turn": "FILL-IN", "sign": "FILL-IN",
        "rated_torque": "6 N*m", "vendor": 0, "product": 1, "revision": 0x00010000, "serial": 4103,
    }  # fmt: skip
    assert proposal(()) == ""


def test_a_name_cannot_break_the_leg_file() -> None:
    bench = Bench(drives=())
    evil = Identity(name="x\n  evil: 1\x1b[2J", serial=7)
    DriveNode(bench.bus, 9, StillAxis(), evil, DriveConfig())
    scan = bench.scan(expected=())
    joints = yaml.safe_load(proposal(scan.asked or ()))["joints"]
    assert list(joints) == ["FILL-IN-1"]
    assert "evil" not in joints["FILL-IN-1"]["drive"]


# ---------------------------------------------------------------- six broken benches, and some more
def test_wrong_bit_rate_seen_as_error_frames() -> None:
    for error in (STUFF, FORM, BARE):
        scan = Bench().scan(hears=lambda link, e=error: Noisy(link, e, deaf=True))  # type: ignore[misc]
        assert names(scan) == ["wrong bit rate"]
        assert scan.asked is None, "questions at a wrong rate destroy what others say"
        assert "bus.bit_rate" in str(scan.findings[0])


def test_wrong_bit_rate_seen_as_silence() -> None:
    scan = Bench().scan(hears=lambda link: Noisy(link, BARE, 0, deaf=True))
    assert names(scan) == ["silence"]
    assert "wrong bit rate" in scan.findings[0].way_out


def test_duplicate_id_by_two_answers_and_two_rhythms() -> None:
    scan = Bench(((1, 4101), (2, 4102), (3, 4103), (3, 9999))).scan()
    assert names(scan) == ["duplicate id"]
    what = scan.findings[0].what
    assert what.startswith("node 3: two answers to one question (serial 4103 and 9999)")
    assert "two rhythms" in what


def test_duplicate_id_is_heard_before_anybody_is_asked() -> None:
    scan = Bench(((2, 4102), (2, 9999))).scan(may_ask=False, expected=())
    assert names(scan) == ["duplicate id"]
    assert "two rhythms" in scan.findings[0].what


def test_duplicate_id_by_twice_the_declared_rate() -> None:
    """Exactly half a period apart the rhythm is even; what the drive says of itself gives it away."""
    bench = Bench()
    beats = [frame.t_ns for frame in _heartbeats(bench, 3)]
    bench.wait(beats[-1] + 150 * MS - bench.bus.now_ns)
    bench.every(100 * MS, 0x703, b"\x7f")
    scan = bench.scan()
    assert names(scan) == ["duplicate id"]
    assert scan.findings[0].what == "node 3: a heartbeat each 0.05 s where it says 0.1 s"


def _heartbeats(bench: Bench, node: int) -> list[Frame]:
    bench.wait(250 * MS)
    return [frame for frame in bench.wire if frame.can_id == 0x700 + node]


@given(
    period_ms=st.integers(20, 1000), jitter=st.lists(st.floats(-0.1, 0.1), min_size=10, max_size=30),
    lost=st.sets(st.integers(1, 28), max_size=5),
)  # fmt: skip
def test_one_node_is_never_taken_for_two(period_ms: int, jitter: list[float], lost: set[int]) -> None:
    """Whatever jitter up to a tenth of a period, and whatever heartbeats are lost."""
    times = [int((n + off) * period_ms * MS) for n, off in enumerate(jitter) if n not in lost]
    heard = hear([Frame(t, 0x701, b"\x05") for t in times], times[-1] + 1, RATE)
    assert heard.uneven == ()


@pytest.mark.parametrize("shift_ms", [5, 20, 38, 62, 90])
def test_two_nodes_are_told_from_one(shift_ms: int) -> None:
    times = sorted(n * 100 * MS + shift for n in range(10) for shift in (0, shift_ms * MS))
    assert min(b - a for a, b in pairwise(times)) > 0
    assert hear([Frame(t, 0x701, b"\x05") for t in times], S, RATE).uneven == (1,)


def test_missing_terminator_seen_as_destroyed_frames() -> None:
    scan = Bench().scan(hears=lambda link: Noisy(link, STUFF))
    assert names(scan) == ["bad line"]
    assert "60 ohm" in scan.findings[0].way_out
    assert "x stuff error" in scan.findings[0].what


def test_silent_node() -> None:
    scan = Bench(((1, 4101), (3, 4103))).scan()
    assert names(scan) == ["silent node"]
    assert scan.findings[0].what == "node 2 (hip) neither talks nor answers"


def test_a_stopped_node_talks_and_answers_nothing() -> None:
    bench = Bench()
    bench.hand.send_data(0x000, b"\x02\x02")
    bench.wait(10 * MS)
    scan = bench.scan()
    assert names(scan) == ["silent node"]
    assert scan.findings[0].what == "node 2 (hip) talks by itself and answers nothing"
    assert "'stopped'" in scan.findings[0].way_out


@pytest.mark.parametrize(
    ("can_id", "data", "name"),
    [
        (0x000, b"\x01\x01", "foreign talker"),
        (0x080, b"", "foreign talker"),
        (0x201, b"\x06\x00", "foreign talker"),
        (0x605, b"\x40\x00\x10\x00\x00\x00\x00\x00", "foreign talker"),
        (0x7A5, b"\x01", "unknown traffic"),
    ],
)
def test_a_foreign_talker_is_named_and_then_nobody_is_asked(can_id: int, data: bytes, name: str) -> None:
    bench = Bench()
    bench.every(10 * MS, can_id, data)
    scan = bench.scan()
    assert names(scan) == [name]
    assert f"0x{can_id:03X}" in scan.findings[0].what
    assert scan.asked is None
    assert "--ask" in scan.unasked
    sent = [frame for frame in bench.wire if 0x600 < frame.can_id < 0x680 and frame.can_id != can_id]
    assert sent == [], "a question could be a command to a device of another protocol"
    assert bench.scan(may_ask=True).asked is not None


def test_extended_identifiers_are_unknown_traffic() -> None:
    bench = Bench()
    bench.every(10 * MS, 0x181, b"\x01", EXTENDED)
    assert names(bench.scan()) == ["unknown traffic"]


def test_swapped_cables_are_told_from_exchanged_drives() -> None:
    scan = Bench(((1, 4101), (2, 4103), (3, 4102))).scan()
    assert names(scan) == ["swapped", "swapped"]
    assert [finding.what for finding in scan.findings] == [
        "node 2 (hip) is the drive of knee, serial 4103",
        "node 3 (knee) is the drive of hip, serial 4102",
    ]
    scan = Bench(((1, 4101), (2, 5000), (3, 4103))).scan()
    assert names(scan) == ["another drive"]
    assert scan.findings[0].what == "node 2 (hip): serial 5000 instead of 4102"


def test_a_stranger_beside_the_leg() -> None:
    scan = Bench(((1, 4101), (2, 4102), (3, 4103), (40, 1))).scan()
    assert names(scan) == ["stranger"]
    assert Bench(((40, 1),)).scan(expected=()).findings == (), "without a leg file nobody is a stranger"


def test_nobody_acknowledges() -> None:
    assert names(Bench((), 0).scan(hears=lambda link: Noisy(link, NO_ACK))) == ["nobody acknowledges"]

    class Full(Nowhere):
        def send(self, frame: Frame) -> None:
            raise BusBusy("sending: the transmit queue is full")

    scan = Bench((), 0).scan(hears=lambda link: Full())
    assert names(scan) == ["nobody acknowledges"]
    assert "queue is full" in scan.findings[0].what


def test_bus_off_and_a_lost_adapter() -> None:
    assert names(Bench().scan(hears=lambda link: Noisy(link, BUS_OFF, 1))) == ["bus off"]

    class Gone(Nowhere):
        def send(self, frame: Frame) -> None:
            raise BusLost("sending failed: gone")

    scan = Bench((), 0).scan(hears=lambda link: Gone(), expected=())
    assert names(scan)[0] == "adapter lost"


def test_an_energised_drive_and_its_troubles() -> None:
    bench = Bench(((1, 4101),))
    for control in (0x06, 0x07, 0x0F):
        bench.write(1, 0x6040, control)
        bench.wait(5 * MS)
    assert bench.axes[0].enabled
    scan = bench.scan(expected=LEG[:1])
    assert "energised" in names(scan)
    assert "hands clear" in next(f.way_out for f in scan.findings if f.name == "energised")


def test_emergencies_are_reported_with_their_code() -> None:
    bench = Bench()
    bench.every(500 * MS, 0x082, bytes.fromhex("2023 02 0000000000"))
    scan = bench.scan()
    assert names(scan) == ["emergency"]
    assert scan.findings[0].what == "node 2 reported 0x2320"


# ---------------------------------------------------------------- small parts
def test_kinds_follow_the_predefined_connection_set() -> None:
    """The table of CiA 301, function code by function code."""
    expected = {
        0x000: ("NMT command", None), 0x080: ("SYNC", None), 0x085: ("emergency", 5), 0x100: ("time stamp", None),
        0x185: ("TPDO1", 5), 0x205: ("RPDO1", 5), 0x285: ("TPDO2", 5), 0x305: ("RPDO2", 5), 0x385: ("TPDO3", 5),
        0x405: ("RPDO3", 5), 0x485: ("TPDO4", 5), 0x505: ("RPDO4", 5), 0x585: ("SDO answer", 5),
        0x605: ("SDO request", 5), 0x705: ("heartbeat", 5), 0x7E5: ("LSS request", None), 0x680: ("unknown", None),
    }  # fmt: skip
    assert {can_id: kind_of(can_id, False) for can_id in expected} == expected
    assert kind_of(0x185, True) == ("unknown", None)


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8))
def test_every_error_frame_says_something(can_id: int, data: bytes) -> None:
    assert error_words(Frame(0, can_id, data, ERROR))


@pytest.mark.parametrize(("factor", "guarded"), [(0, 0x05), (3, None)])
def test_a_node_that_would_guard_us_is_not_asked_by_node_guarding(factor: int, guarded: int | None) -> None:
    """With 0x100C and 0x100D set, life guarding begins with the first remote frame (CiA 301), and then trips."""
    objects = {(0x1018, 1): 5, (0x1018, 2): 6, (0x1018, 3): 7, (0x1018, 4): 8, (0x100C, 0): 100, (0x100D, 0): factor}
    bench = Bench((), beat_ms=0)
    asked: list[Frame] = []

    def answer(frame: Frame) -> None:
        if frame.can_id == 0x709 and frame.flags & REMOTE:
            asked.append(frame)
            port.send_data(0x709, b"\x05")
        if frame.can_id == 0x609:
            value = objects.get((int.from_bytes(frame.data[1:3], "little"), frame.data[3]))
            command, number = (0x80, 0x06020000) if value is None else (0x43, value)
            port.send_data(0x589, bytes((command,)) + frame.data[1:4] + number.to_bytes(4, "little"))

    port = bench.bus.attach(answer)
    scan = bench.scan(expected=())
    assert scan.asked is not None
    assert [(each.identities, each.guarded) for each in scan.asked] == [(((5, 6, 7, 8),), guarded)]
    assert len(asked) == (guarded is not None)
    assert proposal(scan.asked) == "", "it is no CiA 402 drive"


def test_node_guarding_asks_those_that_do_not_beat() -> None:
    """A station that answers the remote frame of node guarding, with the toggle bit set."""
    bench = Bench(((1, 4101),), beat_ms=0)

    def answer(frame: Frame) -> None:
        if frame.flags & REMOTE and frame.can_id == 0x701:
            port.send_data(0x701, b"\x85")

    port = bench.bus.attach(answer)
    scan = bench.scan(expected=LEG[:1])
    assert scan.asked is not None
    assert scan.asked[0].guarded == 0x05
    assert scan.findings == ()
