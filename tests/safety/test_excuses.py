"""What is excused while lost communication is being proven, and what else comes late or from elsewhere and is not."""

from __future__ import annotations

import pytest
from bench_leg import MS, Leg
from powered_leg import SETUP, T, moving, powered

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import BusBusy, BusLost, DriveError, LegStopped, NotPermitted
from legtest.safety import sdo
from legtest.safety.monitor import initial, step
from legtest.safety.reading import of_lost_connection
from legtest.safety.rules import rules_of

RULES = rules_of(SETUP)


@pytest.mark.parametrize(
    ("code", "excused"),
    [(0x8130, True), (0x8100, True), (0x81FF, True), (0x8250, True), (0x8000, False), (0x8200, False), (0x8251, False),
     (0x2310, False), (0x1000, False)],
)  # fmt: skip
def test_only_a_missed_host_is_excused(code: int, excused: bool) -> None:
    """Codes of CiA 301, table of emergency error codes: 81xxh communication; 8250h RPDO time-out."""
    assert of_lost_connection(code) is excused
    said = Frame(0, SETUP.axes[1].emergency_id, code.to_bytes(2, "little") + bytes(6))
    before = initial(3, 0)._replace(proving=(0, 1, 2))
    _, _, reasons = step(T, [said], before, RULES)
    assert [reason.rule for reason in reasons] == ([] if excused else ["emergency"])
    _, _, reasons = step(T, [said], before._replace(proving=(0, 2)), RULES)
    assert [reason.rule for reason in reasons] == ["emergency"]


def test_a_drive_that_restarts_without_power_is_no_alarm() -> None:
    leg = Leg()
    leg.precheck()
    since = leg.now
    leg.nodes[1]._on_nmt(Frame(leg.now, 0x000, bytes((0x81, SETUP.axes[1].node))))
    leg.loop.pump(leg.now + 300 * MS)
    assert [reason.rule for reason in leg.loop.reasons] == ["boot-up"]
    assert not [f for f in leg.wire.frames if f.t_ns > since and f.can_id == 0x000]
    assert not [text for text in leg.events if "EMERGENCY" in text]
    assert not leg.loop.powered


def test_no_set_point_leaves_but_with_its_cycle() -> None:
    leg, _ = powered()
    can_id, encode = leg.loop._encoders[0]
    here = leg.loop.demand()[0]
    with pytest.raises(NotPermitted, match="with the cycle alone"):
        leg.loop.send(Frame(0, can_id, encode(here._replace(position_rad=here.position_rad + 0.5))))


def test_an_adapter_that_keeps_everything_is_closed_once_the_drives_have_acted() -> None:
    leg, _ = moving(1.0)
    leg.link.drop = leg.link.mute = lambda frame: True
    since = leg.now
    with pytest.raises(LegStopped, match="adapter"):
        leg.loop.run(1000)
    fastest = max(joint.speed_rad_s for joint in SETUP.joints)
    acted = SETUP.loss_ns + 1.5e9 * fastest / 300.0 + 20 * MS  # one and a half ramps and 20 ms after they miss us
    assert acted < leg.now - since <= acted + 3 * T
    leg.link.mute = lambda frame: False
    with pytest.raises(BusLost, match="closed"):
        leg.link.send(Frame(0, SETUP.sync_id, b""))


def test_an_answer_that_comes_late_is_not_taken_for_another() -> None:
    asked = bytes((0x40, 0x18, 0x10, 0x04, 0, 0, 0, 0))
    assert not sdo.belated(asked, bytes((0x43, 0x18, 0x10, 0x04, 1, 2, 3, 4)))
    assert sdo.belated(asked, bytes((0x43, 0x18, 0x10, 0x03, 1, 2, 3, 4)))
    assert sdo.belated(bytes((0x23, 0x05, 0x10, 0, 0, 0, 0, 0)), bytes((0x60, 0x06, 0x10, 0, 0, 0, 0, 0)))
    assert not sdo.belated(bytes((0x60, 0, 0, 0, 0, 0, 0, 0)), bytes((0x00, 1, 2, 3, 4, 5, 6, 7))), "a segment"
    assert not sdo.belated(asked, b"\x43"), "what has no eight bytes is refused, not waited out"


def test_segments_without_data_end_an_upload() -> None:
    upload = sdo.read(5, 0x1008, 0)
    next(upload)
    upload.send(bytes((0x41, 0x08, 0x10, 0, 20, 0, 0, 0)))
    with pytest.raises(DriveError, match="does not end"):
        upload.send(bytes((0x0E, 0, 0, 0, 0, 0, 0, 0)))


def test_the_last_segment_may_be_empty() -> None:
    upload = sdo.read(5, 0x1008, 0)
    next(upload)
    upload.send(bytes((0x41, 0x08, 0x10, 0, 7, 0, 0, 0)))
    upload.send(b"\x00abcdefg")
    with pytest.raises(StopIteration) as end:
        upload.send(bytes((0x1F, 0, 0, 0, 0, 0, 0, 0)))
    assert end.value.value == b"abcdefg"


def test_a_drive_that_was_told_to_come_on_a_moment_ago_is_not_taken_for_off() -> None:
    """The adapter takes nothing for one cycle, right behind the frames that enable: the last answers still say off."""
    leg = Leg()
    key = leg.precheck()
    leg.loop.run(250)
    told: set[int] = set()
    refused = []
    pass_on = leg.link.send

    def send(frame: Frame) -> None:
        if len(told) == 3 and len(refused) < 4:
            refused.append(frame)  # SYNC and a stop frame for each axis
            raise BusBusy("no room")
        pass_on(frame)
        if 0x201 <= frame.can_id <= 0x203 and frame.data == b"\x0f\x00":
            told.add(frame.can_id)

    leg.link.send = send  # type: ignore[method-assign]
    with pytest.raises(LegStopped, match="adapter"):
        leg.loop.energise(key)
    assert [frame.can_id for frame in refused] == [SETUP.sync_id, 0x201, 0x202, 0x203]
    assert leg.energised() == [False] * 3
    assert [leg.wire.controls(node)[-1] for node in (1, 2, 3)] == [2] * 3
    on = max(f.t_ns for f in leg.wire.frames if f.can_id == 0x203 and f.data == b"\x0f\x00")
    stops = [f.t_ns for f in leg.wire.frames if f.can_id == 0x203 and f.data == b"\x02\x00" and f.t_ns > on]
    assert stops[0] - on < 3 * T
    assert len(stops) >= 3, "said again until no answer can be from before"


@pytest.mark.parametrize(("cycles", "told"), [(4, True), (5, False)])
def test_for_how_long_a_stop_goes_to_drives_that_look_off(cycles: int, told: bool) -> None:
    state = initial(3, 0)
    off = tuple(a._replace(status=0x40, sampled=9) for a in state.axes)
    before = state._replace(cycle=9, axes=off, acted=9 - cycles, reaction=Reaction.STOP_THEN_OFF, until_ns=10**9)
    assert before.unsettled is told
    _, frames, _ = step(T, [], before, RULES)
    assert len(frames) == (3 if told else 0)
