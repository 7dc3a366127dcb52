"""Before power comes on again, a while after the pre-check: the drives are asked who and how they are."""

from __future__ import annotations

import pytest
from bench_leg import MS, Leg

from legtest.canbus.wiremap import ObjectWrite
from legtest.errors import NotPermitted, PrecheckRefused
from legtest.safety.again import LOOK_NS, _standing, look_again
from legtest.safety.direct import DirectPort
from legtest.safety.permit import Permit


def passed() -> tuple[Leg, DirectPort, Permit]:
    leg = Leg()
    key = leg.precheck()
    return leg, DirectPort(leg.loop, lambda: ""), key


def reads(leg: Leg, since_ns: int) -> set[tuple[int, int, int]]:
    """Node, index and sub-index of every SDO upload (command 40h of CiA 301) on the wire."""
    return {
        (f.can_id - 0x600, int.from_bytes(f.data[1:3], "little"), f.data[3])
        for f in leg.wire.frames
        if f.t_ns > since_ns and 0x600 < f.can_id < 0x680 and f.data[0] == 0x40
    }


def test_it_asks_again_after_a_while_and_not_before() -> None:
    leg, port, key = passed()
    looked = leg.loop.looked_ns
    assert leg.now - looked < MS
    port.pump(looked + LOOK_NS - 100 * MS)
    since = leg.now
    look_again(leg.loop, key)
    assert reads(leg, since) == set()
    port.pump(looked + LOOK_NS)
    since = leg.now
    port.energise(key)
    asked = reads(leg, since)
    for node in (1, 2, 3):
        assert {(node, 0x1018, 4), (node, 0x6041, 0), (node, 0x605A, 0), (node, 0x6065, 0), (node, 0x1400, 1)} <= asked
        assert (node, 0x6072, 0) not in asked, "the set-points carry the cap"
    assert leg.energised() == [True] * 3
    assert leg.loop.looked_ns > since


def test_what_set_points_have_changed_is_no_change() -> None:
    leg, port, key = passed()
    port.energise(key)
    port.play(leg.stretch(0, 0.5, 0.3), key)
    port.pump(leg.now + 400 * MS)
    since = leg.now
    leg.loop.looked_ns = -LOOK_NS
    look_again(leg.loop, key)
    assert reads(leg, since) == set(), "nothing is asked of a leg under power"
    port.lower_and_off()
    port.pump(leg.now + LOOK_NS)
    port.energise(key)
    assert leg.energised() == [True] * 3


@pytest.mark.parametrize(
    ("index", "sub", "value", "said"),
    [(0x6065, 0, 1, "object 0x6065:00"), (0x605A, 0, 6, "object 0x605A:00"), (0x1018, 4, 77, "serial 77")],
)
def test_a_drive_that_changed_voids_the_permit(index: int, sub: int, value: int, said: str) -> None:
    leg, port, key = passed()
    port.pump(leg.now + LOOK_NS)
    leg.nodes[1]._dictionary.set(index, sub, value)
    since = leg.now
    with pytest.raises(PrecheckRefused, match=said):
        port.energise(key)
    assert leg.wire.energising(since) == []
    with pytest.raises(NotPermitted, match=said):
        port.energise(key)
    assert leg.loop.looked_ns < since


def test_of_an_object_that_is_written_twice_the_last_value_stands() -> None:
    off, on = ObjectWrite(0x1400, 1, 4, -0x7FFFFE00, "off"), ObjectWrite(0x1400, 1, 4, 0x201, "on")
    mapped = ObjectWrite(0x1601, 3, 4, 0x60720010, "carries 0x6072")
    count = ObjectWrite(0x1601, 0, 1, 0x72, "a count is no object")
    limit, cap = ObjectWrite(0x6065, 0, 4, 9, "limit"), ObjectWrite(0x6072, 0, 2, 9, "cap")
    assert _standing((off, mapped, count, limit, cap, on), None) == [on, mapped, count, limit]
    sent = ObjectWrite(0x1A00, 1, 4, 0x60650020, "an answer carries, and changes nothing")
    assert _standing((sent, limit), None) == [sent, limit]


def test_what_a_home_changes_is_no_change() -> None:
    leg, port, key = passed()
    leg.loop.run(250)
    port.set_home(dict.fromkeys(leg.loop.rules.names, 0.1), key)
    port.pump(leg.now + LOOK_NS)
    since = leg.now
    port.energise(key)
    assert leg.energised() == [True] * 3
    assert (2, 0x6065, 0) in reads(leg, since)
    assert (2, 0x607D, 1) not in reads(leg, since)
