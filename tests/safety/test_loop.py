"""The control cycle on the wire: order, timing of set-points, how motion ends, how home is set.

Every time is measured on the bus by a station of its own; limits are the budgets of the set-up.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from bench_leg import MS, Leg, S, shorter
from powered_leg import SETUP, T, displaced, lowered, powered, refused_after, table

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import DriveError, LegStopped, NotPermitted
from legtest.safety.permit import Grant, Permit

# ---------------------------------------------------------------------- the cycle


def cycles_of(frames: list[Frame]) -> list[list[Frame]]:
    """The wire cut at each SYNC."""
    cut = [i for i, f in enumerate(frames) if f.can_id == 0x080]
    return [frames[a:b] for a, b in pairwise(cut)]


def test_sync_answers_set_points_heartbeat() -> None:
    leg, _ = powered()
    since = len(leg.wire.frames)
    leg.loop.run(60)
    cycles = cycles_of(leg.wire.frames[since:])
    assert len(cycles) == 59
    for cycle in cycles:
        kinds = [f.can_id & 0x780 for f in cycle if f.can_id not in (0x701, 0x702, 0x703)]
        answers = [k for k in kinds if k in (0x180, 0x280, 0x380)]
        assert kinds == [0x080, *answers, *[0x300] * 3, *[0x700] * (kinds[-1] == 0x700)]
        assert answers.count(0x180) == 3
        sync = cycle[0]
        first = next(f for f in cycle if f.can_id & 0x780 == 0x300)
        assert first.t_ns - sync.t_ns >= 0.58 * T
        assert max(f.t_ns for f in cycle if f.can_id & 0x780 == 0x180) - sync.t_ns < 0.2 * T
    assert {b[0].t_ns - a[0].t_ns for a, b in pairwise(cycles)} == {T}


def test_the_heartbeat_leaves_as_often_as_the_set_up_says() -> None:
    leg, _ = powered()
    leg.wire.frames.clear()
    leg.loop.run(100)
    beats = [f.t_ns for f in leg.wire.frames if f.can_id == 0x77F]
    assert len(beats) == 100 * T // SETUP.heartbeat_ns
    assert all(b - a == pytest.approx(SETUP.heartbeat_ns, abs=150_000) for a, b in pairwise(beats)), "arbitration"


def test_a_set_point_acts_at_the_next_sync_and_is_reached_one_period_later() -> None:
    """Sent in cycle k: at SYNC k+1 the drive's demand is still the one before, at SYNC k+2 it is there."""
    leg, key = powered()
    demands: list[float] = []

    def at_sync(frame: Frame) -> None:
        if frame.can_id == 0x080:
            demands.append(leg.axes[0].demand_rad(frame.t_ns))

    leg.loop.play(leg.stretch(0, 1.0, 0.4), key)
    leg.wait(T // 4)  # what the last cycle has sent is on the wire now
    leg.wire.frames.clear()
    leg.bus.attach(at_sync)
    leg.loop.run(60)
    per_count = math.tau / 65536
    sent = [int.from_bytes(f.data[:4], "little", signed=True) * per_count for f in leg.wire.frames if f.can_id == 0x301]
    assert (len(sent), len(demands)) == (59, 60)
    for k in range(20, 50):
        assert sent[k + 1] - sent[k] == pytest.approx(T * 1e-9, abs=1.5 * per_count)
        assert demands[k + 2] == pytest.approx(sent[k], abs=1e-9)
        assert demands[k + 1] == pytest.approx(sent[k - 1], abs=1e-9)


# ---------------------------------------------------------------------- no permit, no power


def test_without_a_key_nothing_is_energised() -> None:
    leg = Leg()
    leg.precheck()
    since = leg.now
    for key in (Permit(b"", "motion"), Permit(b"0" * 16, "motion"), None):
        with pytest.raises(NotPermitted):
            leg.loop.energise(key)  # type: ignore[arg-type]
    enable = b"\x0f\x00"
    by_object = b"\x2b\x40\x60\x00" + enable + bytes(2)
    for frame in (Frame(0, 0x201, enable), Frame(0, 0x301, bytes(8)), Frame(0, 0x601, by_object)):
        with pytest.raises(NotPermitted):
            leg.loop.send(frame)
    leg.loop.run(20)
    assert leg.wire.energising(since) == []
    assert leg.energised() == [False] * 3
    assert sum("refused 0x" in event for event in leg.events) == 3


def test_a_trial_energises_its_axis_alone() -> None:
    leg = Leg()
    leg.precheck()
    since = leg.now
    with leg.loop.ledger.precheck():
        trial = leg.loop.ledger.issue(Grant("trial", (1,), SETUP.trial_torque_Nm, leg.now + 2 * S), leg.now)
        leg.loop.energise(trial)
        assert leg.energised() == [False, True, False]
        leg.loop.run(20)
        assert {f.can_id & 0x7F for f in leg.wire.energising(since)} == {2}
        leg.loop.lower_and_off()
    with pytest.raises(NotPermitted):
        leg.loop.energise(trial)


def test_motion_needs_the_key_that_energised() -> None:
    leg, key = powered()
    leg.loop.ledger._checking = True  # as no pre-check does: a second key beside the first
    other = leg.loop.ledger.issue(Grant("motion", (0, 1, 2), SETUP.torque_Nm, leg.now + 10 * S), leg.now)
    with pytest.raises(NotPermitted, match="not energised under this permit"):
        leg.loop.play(leg.stretch(0, 0.5, 0.1), other)
    leg.loop.play(leg.stretch(0, 0.5, 0.1), key)


def test_a_motion_that_outlasts_its_permit_is_refused() -> None:
    leg, key = powered(shorter(SETUP, 2 * S))
    with pytest.raises(NotPermitted, match="would outlast its permit"):
        leg.loop.play(leg.stretch(0, 0.1, 2.0), key)


def test_a_refused_stretch_sends_nothing_of_itself() -> None:
    leg, key = powered()
    leg.loop.run(5)
    before = leg.wire.set_points()[-1].data
    bad = leg.stretch(0, 5.0, 0.2)
    since = leg.now
    with pytest.raises(NotPermitted, match="abduction at"):
        leg.loop.play(bad, key)
    leg.loop.run(20)
    assert {f.data for f in leg.wire.set_points(since) if f.can_id == 0x303} == {before}


# ---------------------------------------------------------------------- how motion ends


def test_the_normal_end_lowers_and_switches_off() -> None:
    leg, _ = displaced()
    since = leg.now
    leg.loop.lower_and_off()
    lowered(leg, since)
    assert leg.loop.reasons == ()


def test_nothing_holds_for_ever() -> None:
    """After its hold the leg is lowered and off, though nobody asked."""
    leg, key = powered()
    leg.loop.play(leg.stretch(0, 1.0, 0.2, hold_ns=300 * MS), key)
    since = leg.now
    leg.loop.pump(leg.now + 3 * S)
    lowered(leg, since + 300 * MS)
    places = [f for f in leg.wire.set_points(since) if f.can_id == 0x301]
    top = max(int.from_bytes(f.data[:4], "little", signed=True) for f in places)
    held = [f.t_ns for f in places if int.from_bytes(f.data[:4], "little", signed=True) == top]
    assert held[-1] - held[0] == pytest.approx(300 * MS, abs=3 * T)
    assert any("the hold after a stretch has ended" in event for event in leg.events)
    with pytest.raises(NotPermitted):
        leg.loop.play(table(leg), key)


def test_an_enabled_leg_that_is_given_nothing_to_do_is_switched_off() -> None:
    leg, _ = powered()
    leg.loop.pump(leg.now + 2 * S)
    assert leg.energised() == [False] * 3


def test_the_end_of_the_permit_lowers_and_switches_off() -> None:
    leg, key = powered(shorter(SETUP, 2 * S))
    leg.loop.play(leg.stretch(0, 1.0, 0.2, hold_ns=10 * S), key)
    end = leg.loop.ledger.grant(key, leg.now).end_ns
    with pytest.raises(LegStopped, match="permit, motion: its end is reached"):
        leg.loop.pump(leg.now + 4 * S)
    lowered(leg, end)
    refused_after(leg, key)


def test_a_hot_winding_lowers_and_switches_off() -> None:
    leg, key = displaced()
    leg.axes[2].temperature_C = 95.0
    since = leg.now
    with pytest.raises(LegStopped, match=r"temperature, knee: 95\.0 degC"):
        leg.loop.pump(leg.now + 3 * S)
    lowered(leg, since)
    refused_after(leg, key)


def test_lowering_can_be_asked_for() -> None:
    leg, _ = displaced()
    since = leg.now
    leg.loop.stop(Reaction.LOWER_THEN_OFF, "the bench is closed")
    lowered(leg, since)


def test_a_violation_while_lowering_becomes_a_stop() -> None:
    leg, key = displaced()
    leg.axes[2].temperature_C = 95.0
    leg.bus.at(leg.now + 300 * MS, lambda t: leg.nodes[1]._power.fault(t, 0x2310))
    with pytest.raises(LegStopped, match=r"temperature.*drive fault|temperature.*emergency"):
        leg.loop.pump(leg.now + 3 * S)
    assert leg.bodies[0].position - leg.rest > 0.05, "not lowered any further"
    assert leg.energised() == [False] * 3
    refused_after(leg, key)


# ---------------------------------------------------------------------- home


def test_home_is_set_at_zero_torque() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.wire.frames.clear()
    leg.loop.run(250)
    wanted = {"abduction": 0.1, "hip": -0.4, "knee": 1.2}
    leg.loop.set_home(wanted, key)
    assert leg.energised() == [False] * 3
    caps = {int.from_bytes(f.data[6:8], "little") for f in leg.wire.set_points()}
    assert caps == {0}
    assert [axis.position for axis in leg.loop.state.axes] == pytest.approx(list(wanted.values()), abs=2e-4)
    assert [node._dictionary.number(0x6060) for node in leg.nodes] == [8] * 3
    assert leg.loop.state.homed
    limits = [(n._dictionary.number(0x607D, 1), n._dictionary.number(0x607D, 2)) for n in leg.nodes]
    assert all(-(2**31) < low < high < 2**31 - 1 for low, high in limits)


def test_a_drive_that_does_not_confirm_its_home_is_left_off_and_in_its_mode() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.3), key)
    leg.nodes[1]._motion._home = lambda t_ns: None  # type: ignore[method-assign]
    with pytest.raises(DriveError, match="did not confirm its home position"):
        leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.0), key)
    assert leg.energised() == [False] * 3
    assert [node._dictionary.number(0x6060) for node in leg.nodes] == [8] * 3
    assert not leg.loop.state.homed, "what the drives count from is not known any more"


@pytest.mark.parametrize("positions", [{}, {"hip": 0.0}, {"abduction": 0.0, "hip": 0.0, "ankle": 0.0}])
def test_home_is_set_for_all_axes_at_once(positions: dict[str, float]) -> None:
    leg = Leg()
    key = leg.precheck()
    since = leg.now
    with pytest.raises(NotPermitted, match="for all axes at once, unpowered, under a motion permit"):
        leg.loop.set_home(positions, key)
    assert leg.wire.energising(since) == []


def test_a_drive_fault_while_home_is_set_stops_it() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.nodes[0]._motion._home = lambda t_ns: leg.nodes[0]._power.fault(t_ns, 0x2310)  # type: ignore[method-assign]
    with pytest.raises(LegStopped, match="emergency, abduction: code 0x2310"):
        leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.0), key)
    assert leg.energised() == [False] * 3


# ---------------------------------------------------------------------- timing


def test_timing_counts_what_was_lost_and_left_out() -> None:
    leg, _ = powered()
    leg.loop.timing()
    leg.link.drop = lambda frame: frame.can_id == 0x182
    leg.loop.run(2)
    leg.link.drop = lambda frame: False
    leg.loop.run(8)
    counts = leg.loop.timing()
    assert (counts.expected, counts.lost, counts.missed) == (30, 2, 0)
    assert set(counts.lateness_ns) == {0}
    leg.bus.run(leg.now + 3 * T)
    leg.loop.run(1)
    assert leg.loop.timing().missed in (2, 3)


def test_another_rate_works_as_well() -> None:
    """500 cycles/s and two frames each: inside the budget of the bus."""
    leg = Leg(replace(SETUP, period_ns=10 * MS))
    leg.wait(50 * MS)
    leg.loop.run(3)
    syncs = [f.t_ns for f in leg.wire.frames if f.can_id == 0x080]
    assert {b - a for a, b in pairwise(syncs)} == {10 * MS}
