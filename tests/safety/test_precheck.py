"""Each step of the pre-check refuses when its cause is put into the leg, and says step, value, expected and cause.

Faults go into drives, axes, bodies and bus, never into the pre-check. For unpowered steps the wire shows that nothing
energised the leg.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import pytest
from bench_leg import MS, Leg, S, identity_of, make_setup

from legtest.canbus.frame import Frame
from legtest.errors import NotPermitted, PrecheckRefused
from legtest.safety.precheck import run_precheck
from legtest.simulation.bus import BusPort
from legtest.simulation.node import DriveNode, Identity

SETUP = make_setup()


def test_a_healthy_leg_passes_every_step_and_earns_a_permit_for_all_axes() -> None:
    leg = Leg()
    leg.wait(50 * MS)
    report = run_precheck(leg.loop)
    names = [step.name for step in report.steps]
    assert names[:9] == [
        "set-up", "listening", "identity", "drives off", "limits written and read back", "telemetry plausible",
        "host in time", "monitor self-test", "communication loss, unpowered",
    ]  # fmt: skip
    assert names[9:] == [
        f"{step}{joint}{tail}" for joint in ("abduction", "hip", "knee")
        for step, tail in (("trial of ", ""), ("communication loss of ", ", energised"), ("quick stop of ", ""))
    ] + ["allowed speed"]  # fmt: skip
    assert {step.lost for step in report.steps} == {""}
    grant = leg.loop.ledger.grant(report.permit, leg.now)
    assert (grant.kind, grant.axes, grant.torque_Nm) == ("motion", (0, 1, 2), SETUP.torque_Nm)
    assert grant.end_ns == pytest.approx(leg.now + 1800 * S, abs=MS)
    assert leg.energised() == [False] * 3
    assert report.duration_ns == pytest.approx(leg.now - 50 * MS, abs=20 * MS)


def test_the_trial_moves_little_under_its_cap_and_one_axis_at_a_time() -> None:
    """Hazards and steps 12 to 14: at most 15 % of the peak torque, axes one after the other; judged on the wire."""
    leg = Leg()
    furthest = [0.0] * 3
    powered_at_once = set()

    def look(_: Frame) -> None:
        on = [axis.on for axis in leg.axes]
        powered_at_once.add(sum(on))
        for i, body in enumerate(leg.bodies):
            furthest[i] = max(furthest[i], abs(body.position))

    leg.bus.attach(look)
    leg.precheck()
    assert powered_at_once == {0, 1}
    assert max(furthest) < 0.1
    caps = {int.from_bytes(f.data[6:8], "little") for f in leg.wire.set_points()}
    assert caps == {450}, "per mille of 6 N*m: 2.7 N*m"


def test_the_limits_are_in_the_drives_afterwards() -> None:
    """Asked of the drives' own dictionaries: option codes and limits of CiA 402 and CiA 301.

    0x6072 also comes with every set-point: the last one was of the trial, 15 % of 18 N*m.
    """
    leg = Leg()
    leg.precheck()
    for node in leg.nodes:
        objects = node._dictionary
        expected = {
            (0x605A, 0): 2, (0x605B, 0): 0, (0x605C, 0): 1, (0x605D, 0): 2, (0x605E, 0): 2, (0x6007, 0): 3,
            (0x1029, 1): 1, (0x6072, 0): 450, (0x60C2, 1): 4, (0x60C2, 2): -3, (0x6060, 0): 8,
        }  # fmt: skip
        assert {key: objects.number(*key) for key in expected} == expected
        assert objects.number(0x6085) == pytest.approx(300 * 65536 / 6.283185307, abs=1)
        assert objects.number(0x1016, 1) == 0, "unpowered drives do not watch for a host that only listens"


# ---------------------------------------------------------------------- refusals


class Cause(NamedTuple):
    """What is wrong with the leg, and what the refusal must say: step, value, expected, cause."""

    put: Callable[[], Leg]
    step: str
    value: str
    expected: str
    cause: str


def stranger(leg: Leg) -> BusPort:
    """Another station on the bus."""
    return leg.bus.attach(lambda _: None)


def repeated(can_id: int, data: bytes) -> Callable[[], Leg]:
    """A station that sends a frame every 50 ms, from the beginning."""

    def put() -> Leg:
        leg = Leg()
        port = stranger(leg)

        def send(t_ns: int) -> None:
            port.send(Frame(0, can_id, data))
            leg.bus.at(t_ns + 50 * MS, send)

        leg.bus.at(0, send)
        return leg

    return put


def with_identity(axis: int, **changes: int) -> Callable[[], Leg]:
    def put() -> Leg:
        identities: list[Identity] = [identity_of(SETUP, i) for i in range(3)]
        identities[axis] = identity_of(SETUP, axis, **changes)
        return Leg(identities=identities)

    return put


def swapped_nodes() -> Leg:
    return Leg(node_ids=[1, 3, 2])


def absent_node() -> Leg:
    leg = Leg()
    leg.nodes[2]._port.detach()
    return leg


def unknown_node() -> Leg:
    leg = Leg()
    DriveNode(leg.bus, 9, leg.axes[0], Identity(), leg.nodes[0].config)
    return leg


def already_energised() -> Leg:
    """As another program leaves it: started and enabled."""
    leg = Leg()
    port = stranger(leg)
    leg.wait(5 * MS)
    for data in (b"\x01\x02",):
        port.send(Frame(0, 0x000, data))
    leg.wait(5 * MS)
    for word in (0x06, 0x07, 0x0F):
        port.send(Frame(0, 0x202, bytes((word, 0))))
        leg.wait(5 * MS)
    assert leg.energised()[1]
    leg.wire.frames.clear()
    leg.link.pump(leg.now)  # the adapter is opened after that
    return leg


def in_fault() -> Leg:
    leg = Leg()
    leg.wait(5 * MS)
    leg.nodes[1]._power.fault(leg.now, 0x2310)
    return leg


def ignores_a_write(axis: int, index: int, sub: int) -> Callable[[], Leg]:
    def put() -> Leg:
        leg = Leg()
        entry = leg.nodes[axis]._dictionary[index, sub]
        kept = entry.value
        entry.written = lambda _: setattr(entry, "value", kept)
        return leg

    return put


def refuses_a_write() -> Leg:
    from legtest.simulation.dictionary import TOO_HIGH, Abort

    def check(_: int) -> None:
        raise Abort(TOO_HIGH)

    leg = Leg()
    leg.nodes[2]._dictionary[0x6085, 0].check = check
    return leg


def no_telemetry(*ids: int, share: int = 1) -> Callable[[], Leg]:
    """So many of `share` frames with these identifiers never arrive."""

    def put() -> Leg:
        leg = Leg()
        count = [0]

        def drop(frame: Frame) -> bool:
            count[0] += frame.can_id in ids
            return frame.can_id in ids and count[0] % share == 0

        leg.link.drop = drop
        return leg

    return put


def supply(volts: float) -> Callable[[], Leg]:
    def put() -> Leg:
        leg = Leg()
        leg.axes[1].supply_V = volts
        return leg

    return put


def hot() -> Leg:
    leg = Leg()
    leg.axes[0].temperature_C = 95.0
    return leg


def deaf_to_heartbeats() -> Leg:
    """Takes 0x1016 and does not act on it."""

    class Deaf:
        def set(self, time_ns: int) -> None: ...
        def fed(self, t_ns: int) -> None: ...

    leg = Leg()
    leg.nodes[2]._heartbeat_watch = Deaf()  # type: ignore[assignment]
    return leg


def reports_and_goes_on() -> Leg:
    """Reports the lost heartbeat and keeps the power on all the same."""
    leg = Leg()
    leg.nodes[0]._power.connection_lost = lambda t_ns, code: None  # type: ignore[method-assign]
    return leg


def blocked(axis: int) -> Callable[[], Leg]:
    def put() -> Leg:
        leg = Leg()
        leg.bodies[axis].blocked = True
        return leg

    return put


def wrong_sign(axis: int) -> Callable[[], Leg]:
    def put() -> Leg:
        leg = Leg()
        leg.axes[axis].turns = -1
        return leg

    return put


def swapped_motor_cables() -> Leg:
    """Hip drive on the knee motor and the other way round; the encoders are where they belong."""
    leg = Leg()
    leg.axes[1].motor, leg.axes[2].motor = leg.bodies[2], leg.bodies[1]
    return leg


def ignores_the_quick_stop() -> Leg:
    leg = Leg()
    obey = leg.nodes[1]._power._obey
    from legtest.simulation.state import Command

    def stubborn(t_ns: int, command: Command) -> None:
        if command is not Command.QUICK_STOP:
            obey(t_ns, command)

    leg.nodes[1]._power._obey = stubborn  # type: ignore[method-assign]
    return leg


UNPOWERED = {
    "wrong serial": Cause(
        with_identity(1, serial=999), "identity", "hip: serial 999", "4102 (leg file)", "another drive"
    ),
    "wrong revision": Cause(
        with_identity(2, revision=7), "identity", "knee: revision 7", "65536 (leg file)", "firmware"
    ),
    "wrong vendor": Cause(
        with_identity(0, vendor=5), "identity", "abduction: vendor 5", "0 (leg file)", "another drive"
    ),
    "wrong product": Cause(
        with_identity(0, product=5), "identity", "abduction: product 5", "1 (leg file)", "another drive"
    ),
    "swapped node ids": Cause(swapped_nodes, "identity", "hip: serial 4103", "4102", "swapped node ids"),
    "absent node": Cause(absent_node, "identity", "node 3 did not answer", "node 3 (knee) answers", "termination"),
    "another SYNC": Cause(repeated(0x080, b""), "listening", "0x80", "nobody else leads", "another program"),
    "another NMT master": Cause(
        repeated(0x000, b"\x01\x02"), "listening", "0x0", "nobody else leads", "another program"
    ),
    "another SDO client": Cause(
        repeated(0x602, bytes.fromhex("4018100100000000")), "listening", "0x602", "nobody else leads", "another program"
    ),
    "another set-point": Cause(repeated(0x303, bytes(8)), "listening", "0x303", "nobody else leads", "another program"),
    "our heartbeat": Cause(repeated(0x77F, b"\x05"), "listening", "0x77F", "nobody else leads", "another program"),
    "unknown node": Cause(unknown_node, "listening", "heartbeat of node [9]", "only nodes [1, 2, 3]", "does not name"),
    "already energised": Cause(
        already_energised, "drives off", "hip: statusword 0x", "off and without fault", "disable was sent"
    ),
    "in fault": Cause(in_fault, "drives off", "hip: statusword 0x", "off and without fault", "fault"),
    "a limit ignored": Cause(
        ignores_a_write(0, 0x6085, 0), "limits written and read back", "0x6085:00", "quick stop", "does not accept"
    ),
    "an option ignored": Cause(
        ignores_a_write(2, 0x6007, 0), "limits written and read back", "0x6007:00", "lost connection", "does not accept"
    ),
    "a mapping ignored": Cause(
        ignores_a_write(1, 0x1601, 2), "limits written and read back", "0x1601:02", "RPDO2 entry 2", "does not accept"
    ),
    "a write refused": Cause(
        refuses_a_write, "limits written and read back", "abort code 0x06090031", "quick stop", "does not accept"
    ),
    "no telemetry of one": Cause(no_telemetry(0x182), "telemetry plausible", "missing", "at most 10%", "adapter"),
    "a fifth lost": Cause(
        no_telemetry(0x181, 0x182, 0x183, share=5),
        "telemetry plausible",
        "20.0% of the frames missing",
        "at most",
        "bus",
    ),
    "no supply frame": Cause(no_telemetry(0x282), "telemetry plausible", "hip: no supply", "one", "does not send"),
    "no temperature frame": Cause(
        no_telemetry(0x381), "telemetry plausible", "abduction: no temperature", "", "not send"
    ),
    "supply low": Cause(supply(12.0), "telemetry plausible", "hip: supply 12.0 V", "18..60 V", "supply off or wrong"),
    "supply high": Cause(supply(70.0), "telemetry plausible", "hip: supply 70.0 V", "18..60 V", "supply off or wrong"),
    "hot": Cause(hot, "telemetry plausible", "abduction: temperature 95.0 degC", "-20..90 degC", "sensor"),
    "deaf to heartbeats": Cause(
        deaf_to_heartbeats, "communication loss, unpowered", "knee: no emergency message", "within 100 ms", "heartbeat"
    ),
}

POWERED = {
    "heartbeat loss ignored": Cause(
        reports_and_goes_on,
        "communication loss of abduction, energised",
        "still energised",
        "off within",
        "lost heartbeat",
    ),
    "blocked joint": Cause(blocked(1), "trial of hip", "", "", "blocked joint"),
    "wrong sign": Cause(wrong_sign(2), "trial of knee", "", "", "wrong sign"),
    "swapped cables": Cause(swapped_motor_cables, "trial of hip", "", "", "swapped"),
    "quick stop ignored": Cause(ignores_the_quick_stop, "trial of hip", "not confirmed", "off in time", "ignores"),
}


def refusal_of(cause: Cause) -> tuple[Leg, PrecheckRefused]:
    leg = cause.put()
    with pytest.raises(PrecheckRefused) as caught:
        leg.precheck()
    said = caught.value
    assert said.step == cause.step
    assert cause.value in said.value
    assert cause.expected in said.expected
    assert cause.cause in said.cause
    for part in (said.step, said.value, said.expected, said.cause):
        assert part in str(said)
    assert ("no power was applied" in str(said)) is not said.powered
    return leg, said


@pytest.mark.parametrize("name", UNPOWERED)
def test_unpowered_steps_refuse_and_nothing_was_energised(name: str) -> None:
    leg, said = refusal_of(UNPOWERED[name])
    assert not said.powered
    leg.wait(5 * MS)  # what was still to be sent leaves
    ours = [f for f in leg.wire.energising() if not _stranger_sent(name, f)]
    assert ours == []
    assert leg.energised() == [False] * 3
    with pytest.raises(NotPermitted):
        leg.loop.energise(leg.loop.ledger.issue(leg.loop.ledger.grant(None, 0), 0))


def _stranger_sent(name: str, frame: Frame) -> bool:
    return name == "another set-point" and frame.can_id == 0x303 and frame.data == bytes(8)


@pytest.mark.parametrize("name", POWERED)
def test_powered_steps_refuse_and_the_power_is_off_afterwards(name: str) -> None:
    leg, said = refusal_of(POWERED[name])
    assert said.powered
    assert leg.energised() == [False] * 3
    assert not leg.loop.powered
    since = leg.now
    leg.loop.run(50)
    assert leg.wire.energising(since) == []


def test_a_wrong_sign_moves_the_joint_little() -> None:
    """Runaway under the trial's cap of 2.7 N*m on 0.05 kg m^2, until the monitor has cut it off."""
    leg = wrong_sign(2)()
    furthest = [0.0]
    leg.bus.attach(lambda _: furthest.append(abs(leg.bodies[2].position)))
    with pytest.raises(PrecheckRefused, match="trial of knee"):
        leg.precheck()
    assert max(furthest) < 0.15


def test_swapped_cables_move_the_joints_little() -> None:
    leg = swapped_motor_cables()
    furthest = [0.0]
    leg.bus.attach(lambda _: furthest.append(max(abs(body.position) for body in leg.bodies)))
    with pytest.raises(PrecheckRefused):
        leg.precheck()
    assert max(furthest) < 0.15


def test_a_bus_that_would_be_too_full_is_refused_before_anything_is_sent() -> None:
    """A thousand cycles a second on 1 Mbit/s: SYNC 55 bits and twelve frames of 135 bits in 1000."""
    leg = Leg(setup=replace(SETUP, period_ns=MS))
    leg.wait(50 * MS)
    before = len(leg.wire.frames)
    with pytest.raises(PrecheckRefused, match="'set-up': bus load 168%; expected at most 60%") as caught:
        run_precheck(leg.loop)
    assert not caught.value.powered
    assert len(leg.wire.frames) == before


def test_a_refused_precheck_voids_the_permit_of_an_earlier_one() -> None:
    leg = Leg()
    key = leg.precheck()
    leg.axes[1].supply_V = 12.0
    with pytest.raises(PrecheckRefused):
        leg.precheck()
    with pytest.raises(NotPermitted, match="a new pre-check has begun"):
        leg.loop.energise(key)
    leg.axes[1].supply_V = 48.0
    with pytest.raises(NotPermitted):
        leg.loop.energise(key)
    leg.loop.energise(leg.precheck())
    assert leg.energised() == [True] * 3


def test_an_energised_stranger_is_switched_off_and_told() -> None:
    leg = already_energised()
    with pytest.raises(PrecheckRefused, match="a disable was sent"):
        leg.precheck()
    leg.wait(20 * MS)
    assert leg.energised() == [False] * 3


@pytest.mark.parametrize("silent_from", [20 * MS, 600 * MS, 1500 * MS, 2200 * MS])
def test_a_drive_that_goes_silent_half_way_is_a_refusal_not_a_traceback(silent_from: int) -> None:
    leg = Leg()
    leg.bus.at(silent_from + 50 * MS, lambda _: leg.nodes[1]._port.detach())
    with pytest.raises(PrecheckRefused):
        leg.precheck()
    assert not any(leg.energised())
    silenced_under_power = leg.now > 2 * S
    assert leg.loop.powered is leg.loop.unconfirmed is silenced_under_power, "then nobody knows"
