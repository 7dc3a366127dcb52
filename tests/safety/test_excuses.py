"""What is excused while lost communication is being proven, and what else comes late or from elsewhere and is not."""

from __future__ import annotations

import pytest
from bench_leg import MS, Leg
from powered_leg import SETUP, T, moving, powered

from legtest.canbus.frame import Frame
from legtest.errors import BusLost, DriveError, LegStopped, NotPermitted
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
