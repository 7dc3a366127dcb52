"""Second lines of defence: what is refused or survived although something before it should have kept it away."""

from __future__ import annotations

import os

import pytest
from bench_leg import MS, Body, Leg, S, make_setup
from powered_leg import SETUP, displaced, lowered, powered

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import ObjectWrite, Point, Reaction
from legtest.errors import BusLost, LegStopped, NotPermitted, PrecheckRefused, SdoTimeout
from legtest.safety.direct import DirectPort
from legtest.safety.gate import Gate
from legtest.safety.loop import REST_GIVE_UP_NS
from legtest.safety.lowering import LIMIT_MARGIN_RAD, lowering
from legtest.safety.monitor import Reason
from legtest.safety.permit import Grant

# ---------------------------------------------------------------------- a key that is worth something is not enough


@pytest.mark.parametrize(
    ("put", "why"),
    [
        (lambda loop: setattr(loop, "unconfirmed", True), "never confirmed that it is off: PRESS THE EMERGENCY STOP"),
        (lambda loop: setattr(loop, "unrecorded", True), "frames are not recorded any more"),
        (
            lambda loop: setattr(loop, "state", loop.state._replace(reaction=Reaction.OFF_NOW)),
            "the leg was stopped; the pre-check must pass again",
        ),
    ],
)
def test_a_leg_that_is_not_ready_is_not_energised(put: object, why: str) -> None:
    leg = Leg()
    key = leg.precheck()
    put(leg.loop)  # type: ignore[operator]
    since = leg.now
    with pytest.raises(NotPermitted, match=why):
        leg.loop.energise(key)
    assert leg.wire.energising(since) == []


def test_a_set_point_that_the_gate_refuses_stops_the_leg() -> None:
    """A table that has been changed after it was checked."""
    leg, _ = powered()
    assert leg.loop._player is not None
    row = leg.loop._player._rows[0]
    leg.loop._player._rows = (tuple(point._replace(torque_cap_Nm=50.0) for point in row),)
    since = leg.now
    with pytest.raises(
        LegStopped, match=r"monitor, host: NotPermitted: torque cap 49\.998 N\*m is above the permitted"
    ):
        leg.loop.run(5)
    leg.wait(MS)
    late = [f for f in leg.wire.set_points(since) if int.from_bytes(f.data[6:8], "little") > 3000]
    assert late == []
    assert leg.energised() == [False] * 3


def test_an_unpowered_leg_has_no_demand() -> None:
    leg = Leg()
    with pytest.raises(NotPermitted, match="the leg is not energised"):
        leg.loop.demand()


def test_a_trial_has_no_set_points_for_another_axis() -> None:
    gate, trial = Gate(SETUP), Grant("trial", (1,), SETUP.trial_torque_Nm, 1000)
    assert gate.refusal(Frame(0, 0x301, bytes(8)), trial, 0, True) == "the trial permit does not cover this axis"
    assert gate.refusal(Frame(0, 0x302, bytes(8)), trial, 999, True) == ""
    assert gate.refusal(Frame(0, 0x302, bytes(8)), trial, 1000, True) == "no permit is in force, so no set-point leaves"
    assert gate.refusal(Frame(0, 0x302, bytes(7)), trial, 0, True) == "a set-point has 8 bytes, not 7"


def test_a_copy_of_the_process_is_refused_by_its_number(monkeypatch: pytest.MonkeyPatch) -> None:
    leg = Leg()
    key = leg.precheck()
    port = DirectPort(leg.loop, lambda: "")
    real = os.getpid()
    monkeypatch.setattr(os, "getpid", lambda: real + 1)
    with pytest.raises(NotPermitted, match="a copy of the one that passed the pre-check"):
        leg.loop.ledger.grant(key, leg.now)
    with pytest.raises(NotPermitted, match="a copy of the one that opened the bench"):
        port.energise(key)
    port.stop(Reaction.OFF_NOW, "atexit")
    port.close()
    monkeypatch.undo()
    port.energise(key)
    assert leg.energised() == [True] * 3


def test_home_is_set_through_the_port() -> None:
    leg = Leg()
    port = DirectPort(leg.loop, lambda: "")
    leg.wait(50 * MS)
    port.set_home(dict.fromkeys(leg.loop.rules.names, 0.25), port.precheck().permit)
    assert [axis.position for axis in leg.loop.state.axes] == pytest.approx([0.25] * 3, abs=1e-3)


# ---------------------------------------------------------------------- lowering


def test_lowering_that_is_asked_for_twice_is_begun_once() -> None:
    leg, _ = displaced()
    leg.axes[2].temperature_C = 95.0
    since = leg.now
    while leg.loop.state.reaction is None:
        leg.loop.cycle()
    begun = leg.loop._player
    leg.loop.stop(Reaction.LOWER_THEN_OFF, "asked for again")
    assert begun is not None
    lowered(leg, since)


def test_lower_and_off_goes_on_with_what_the_monitor_has_begun() -> None:
    leg, _ = displaced()
    leg.axes[2].temperature_C = 95.0
    since = leg.now
    while leg.loop.state.reaction is None:
        leg.loop.cycle()
    with pytest.raises(LegStopped, match="temperature, knee"):
        leg.loop.lower_and_off()
    lowered(leg, since)


def test_a_record_that_fails_while_the_leg_stops_changes_nothing_of_the_stop() -> None:
    leg, _ = powered()
    leg.loop._stop_now(Reaction.STOP_THEN_OFF)
    leg.loop._object(Reason("record", "host", "full", "room", Reaction.LOWER_THEN_OFF))
    assert leg.loop.state.reaction == Reaction.STOP_THEN_OFF
    leg.loop.run(0)
    leg.loop.stop(Reaction.STOP_THEN_OFF, "for the test")
    assert leg.energised() == [False] * 3


def test_a_leg_that_never_comes_to_rest_is_not_waited_for_for_ever() -> None:
    leg = Leg()
    leg.precheck()
    body = leg.bodies[0]

    def swing(frame: Frame) -> None:
        if frame.can_id == 0x080:
            body.velocity = 0.5 if leg.now // (200 * MS) % 2 else -0.5

    leg.bus.attach(swing)
    begun = leg.now
    leg.loop.settle()
    assert leg.now - begun == pytest.approx(REST_GIVE_UP_NS, abs=110 * MS)


@pytest.mark.parametrize("homed", [False, True])
def test_a_leg_is_lowered_to_where_it_rested_but_inside_its_limits_once_it_knows_them(homed: bool) -> None:
    """By hand: only the abduction of tarn-fl is one joint to one actuator."""
    joint = SETUP.joints[0]
    rest = (joint.high_rad + 0.05, 0.0, 0.0)
    demand = tuple(Point(0.0, 1.0, 9.0) for _ in rest)
    path = lowering(SETUP, demand, rest, homed)
    goal = path.rows[-1]
    assert goal[0].position_rad == pytest.approx(joint.high_rad - LIMIT_MARGIN_RAD if homed else rest[0])
    assert path.duration_ns == pytest.approx(max(abs(p.position_rad) for p in goal) / SETUP.lower_rad_s * 1e9, rel=1e-6)
    assert {point.torque_ff_Nm for point in goal} == {0.0}
    assert {point.torque_cap_Nm for point in goal} == {9.0}
    joints = [sum(c * p.position_rad for c, p in zip(row, goal, strict=True)) for row in SETUP.joint_of_actuator]
    if homed:
        for q, limits in zip(joints, SETUP.joints, strict=True):
            assert limits.low_rad + LIMIT_MARGIN_RAD - 1e-9 <= q <= limits.high_rad - LIMIT_MARGIN_RAD + 1e-9


# ---------------------------------------------------------------------- pre-check


def given_up() -> Leg:
    leg, _ = powered()
    leg.nodes[1]._power._obey = lambda t_ns, command: None  # type: ignore[method-assign]
    leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + 5 * S)
    return leg


def test_drives_that_do_not_answer_prove_nothing() -> None:
    leg = given_up()
    for node in leg.nodes:
        node._port.detach()
    with pytest.raises(PrecheckRefused, match="never confirmed that it is off"):
        leg.precheck()


def test_a_drive_that_answers_nothing_in_the_midst_is_a_refusal_of_that_step() -> None:
    leg = Leg()
    write = leg.loop.access.write

    def silent(axis: int, entry: ObjectWrite) -> None:
        if entry == make_setup().arm[1]:
            raise SdoTimeout("node 2 did not answer within 100 ms")
        write(axis, entry)

    leg.loop.access.write = silent  # type: ignore[method-assign]
    with pytest.raises(PrecheckRefused, match="'communication loss, unpowered': node 2 did not answer") as caught:
        leg.precheck()
    assert "lost its supply or its connection meanwhile" in caught.value.cause


def test_a_bus_that_is_lost_in_the_midst_is_told_as_that() -> None:
    leg = Leg()
    leg.bus.at(700 * MS, lambda _: leg.link.close())
    with pytest.raises(BusLost):
        leg.precheck()
    assert not leg.loop.powered


def test_another_master_that_comes_later_is_a_refusal_of_the_step_in_which_it_comes() -> None:
    leg = Leg()
    stranger = leg.bus.attach(lambda _: None)
    run = leg.loop.run

    def meets(cycles: int) -> None:
        if cycles == 100:
            stranger.send(Frame(0, 0x080, b""))
        run(cycles)

    leg.loop.run = meets  # type: ignore[method-assign]
    with pytest.raises(PrecheckRefused, match="'telemetry plausible': foreign master, 0x80") as caught:
        leg.precheck()
    assert caught.value.expected == "nothing that would stop a leg"
    assert not caught.value.powered


class Cornered(Body):
    """Between two stops, the second as near as the first or far away."""

    ends = (-0.025, 0.025)

    def advance(self, t_ns: int) -> None:
        super().advance(t_ns)
        low, high = self.ends
        if not low <= self.position <= high:
            self.position, self.velocity = min(max(self.position, low), high), 0.0


@pytest.mark.parametrize(("ends", "passes"), [((-9.0, 0.025), True), ((-0.025, 9.0), True), ((-0.025, 0.025), False)])
def test_the_quick_stop_is_tried_in_both_directions(ends: tuple[float, float], passes: bool) -> None:
    leg = Leg()
    body = Cornered()
    body.ends = ends
    leg.axes[0].body = leg.axes[0].motor = leg.bodies[0] = body
    if passes:
        leg.precheck()
        return
    with pytest.raises(PrecheckRefused, match="quick stop of abduction") as caught:
        leg.precheck()
    assert "it hardly moved" in caught.value.value
    assert caught.value.expected == "a stop from 0.5 rad/s, confirmed in time"
    assert leg.energised() == [False] * 3
