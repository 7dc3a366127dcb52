"""What makes a permit void while nobody moves, and what a stop that was never confirmed leaves behind."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import replace

import pytest
from bench_leg import MS, Leg, S
from powered_leg import SETUP, moving, powered, refused_after

from legtest.canbus.frame import ERROR, Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import LegStopped, NotPermitted, PrecheckRefused
from legtest.safety.direct import DirectPort
from legtest.safety.permit import Permit


def rested() -> tuple[Leg, Permit]:
    """A pre-check has passed and the leg is off, as between two tests."""
    leg = Leg()
    key = leg.precheck()
    leg.loop.run(20)
    return leg, key


def motor_supply_cut(leg: Leg) -> None:
    for axis in leg.axes:
        axis.supply_V = 2.0


def one_supply_sags(leg: Leg) -> None:
    leg.axes[1].supply_V = 17.0


def reboot(leg: Leg) -> None:
    leg.nodes[2]._power.reset(leg.now)
    leg.nodes[2]._reset(leg.now, 0x9FFF)


def bus_off(leg: Leg) -> None:
    leg.link._received.append(Frame(leg.now, 0x40, bytes(8), ERROR))


def another_master(leg: Leg) -> None:
    leg.bus.attach(lambda _: None).send(Frame(0, 0x601, bytes.fromhex("2385600000000000")))


def a_fault(leg: Leg) -> None:
    leg.nodes[0]._power.fault(leg.now, 0x4310)


VOID: dict[str, tuple[Callable[[Leg], None], str]] = {
    "emergency stop, motor supply only": (motor_supply_cut, "supply|emergency"),
    "under-voltage": (one_supply_sags, "supply, hip|emergency, hip"),
    "restart of a drive": (reboot, "boot-up, knee"),
    "bus-off": (bus_off, "bus errors, bus"),
    "limits changed by another master": (another_master, "foreign master, 0x601"),
    "fault of a drive": (a_fault, "emergency, abduction: code 0x4310"),
}


@pytest.mark.parametrize("name", VOID)
def test_what_happens_between_two_tests_voids_the_permit(name: str) -> None:
    happens, why = VOID[name]
    leg, key = rested()
    happens(leg)
    leg.loop.run(10)
    with pytest.raises(NotPermitted, match=f"the permit is void: ({why})"):
        leg.loop.energise(key)
    refused_after(leg, key)


def test_power_that_has_come_back_gives_nothing_back() -> None:
    leg, key = rested()
    motor_supply_cut(leg)
    leg.loop.run(10)
    for axis in leg.axes:
        axis.supply_V = 48.0
    leg.loop.run(100)
    refused_after(leg, key)


def test_nothing_happens_and_the_permit_stays() -> None:
    leg, key = rested()
    leg.loop.run(1000)
    leg.loop.energise(key)
    assert leg.energised() == [True] * 3


def test_a_setting_written_again_voids_the_permit_even_with_the_same_value() -> None:
    leg, key = rested()
    write = next(w for w in SETUP.objects[1] if w.entry == 0x6085)
    leg.loop.access.write(1, write)
    with pytest.raises(
        NotPermitted, match=r"quick stop 300 rad/s\^2, which the pre-check had written, was written again"
    ):
        leg.loop.energise(key)


def test_arming_and_disarming_are_no_change_of_settings() -> None:
    leg, key = rested()
    for write in (SETUP.arm[1], SETUP.disarm[1]):
        assert write is not None
        leg.loop.access.write(1, write)
    leg.loop.energise(key)


def test_a_setting_that_another_value_is_tried_for_never_leaves() -> None:
    leg, key = rested()
    write = next(w for w in SETUP.objects[1] if w.entry == 0x6072)
    with pytest.raises(NotPermitted, match="not one that this leg's set-up writes"):
        leg.loop.access.write(1, write._replace(value=write.value + 1))
    leg.loop.energise(key)


def test_another_set_up_is_not_the_one_that_passed() -> None:
    leg, key = rested()
    leg.loop.setup = replace(leg.setup, description_sha256="other")
    with pytest.raises(NotPermitted, match="not the one that passed the pre-check"):
        leg.loop.energise(key)
    leg.loop.setup = leg.setup
    with pytest.raises(NotPermitted, match="the set-up has changed"):
        leg.loop.energise(key)


def test_setting_home_keeps_the_permit() -> None:
    leg, key = rested()
    leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.1), key)
    assert not leg.loop.configuring
    leg.loop.energise(key)


def test_a_drive_that_stays_in_its_homing_mode_voids_it() -> None:
    leg, key = rested()
    entry = leg.nodes[1]._dictionary[0x6060, 0]
    entry.written = lambda _: setattr(entry, "value", 6)
    with pytest.raises(Exception, match="0x6060"):
        leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.1), key)
    assert not leg.loop.configuring
    with pytest.raises(NotPermitted, match="may have been left in its homing mode"):
        leg.loop.energise(key)


def test_home_is_not_set_on_a_drive_that_cannot_be_told() -> None:
    axes = (SETUP.axes[0], replace(SETUP.axes[1], home=None), SETUP.axes[2])
    leg = Leg(replace(SETUP, axes=axes))
    key = leg.precheck()
    since = leg.now
    with pytest.raises(NotPermitted, match="hip cannot be told its position"):
        leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.1), key)
    assert leg.wire.energising(since) == []


def test_while_home_is_set_the_monitor_has_its_grant_and_every_cap_is_zero() -> None:
    leg, key = rested()
    seen: list[tuple[object, ...]] = []
    watch = leg.loop._watch

    def look(frames: list[Frame]) -> None:
        watch(frames)
        if leg.loop.powered:
            grant = leg.loop.state.grant
            assert grant is not None
            seen.append((grant.kind, grant.torque_Nm, leg.loop.state.homing))

    leg.loop._watch = look  # type: ignore[method-assign]
    leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 1.3), key)
    assert len(seen) > 10
    assert set(seen) == {("motion", (0.0, 0.0, 0.0), True)}
    assert not leg.loop.state.homing
    assert [axis.position for axis in leg.loop.state.axes] == pytest.approx([1.3] * 3, abs=1e-3)


def test_torque_while_home_is_set_stops_it() -> None:
    """A drive that ignores its cap of zero: the monitor is there."""
    leg, key = rested()
    pump = leg.link.pump

    def ignoring(until_ns: int) -> list[Frame]:
        """2 N*m (per mille of 6) in every answer of the hip that says it is enabled."""
        return [
            f._replace(data=f.data[:6] + (333).to_bytes(2, "little"))
            if f.can_id == 0x182 and f.data[0] & 0x6F == 0x27 else f
            for f in pump(until_ns)
        ]  # fmt: skip

    leg.link.pump = ignoring  # type: ignore[method-assign]
    leg.nodes[1]._motion._home = lambda t_ns: None  # type: ignore[method-assign]
    with pytest.raises(LegStopped, match=r"torque, hip: 2\.00 N\*m, allowed 0\.00 N\*m"):
        leg.loop.set_home(dict.fromkeys(leg.loop.rules.names, 0.1), key)
    assert leg.energised() == [False] * 3


def test_a_leg_that_is_energised_is_not_energised_again() -> None:
    leg, key = powered()
    with pytest.raises(NotPermitted, match="energised already"):
        leg.loop.energise(key)
    assert leg.energised() == [True] * 3
    leg.loop.run(3)


def test_a_permit_that_dies_while_the_leg_settles_energises_nothing() -> None:
    leg, key = rested()
    leg.bus.at(leg.now + 60 * MS, lambda t: another_master(leg))
    since = leg.now
    with pytest.raises(NotPermitted, match="became void while the leg came to rest"):
        leg.loop.energise(key)
    assert leg.wire.energising(since) == []


def test_a_precheck_begins_with_the_power_off() -> None:
    leg, key = powered()
    with pytest.raises(NotPermitted, match="begins with the power off"):
        leg.precheck()
    leg.loop.stop(Reaction.STOP_THEN_OFF, "for the test")
    refused_after(leg, key)


# ---------------------------------------------------------------------- a stop that was given up


def disobeyed() -> tuple[Leg, Permit]:
    """The hip's drive obeys nothing, and the stop has been given up."""
    leg, key = moving()
    leg.nodes[1]._power._obey = lambda t_ns, command: None  # type: ignore[method-assign]
    leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))
    with pytest.raises(LegStopped, match="stop, hip: not confirmed"):
        leg.loop.pump(leg.now + 5 * S)
    return leg, key


def test_a_leg_whose_stop_was_given_up_is_taken_for_powered_and_gets_nothing_but_stop_frames() -> None:
    leg, key = disobeyed()
    assert leg.loop.powered
    assert leg.loop.unconfirmed
    since = leg.now
    leg.loop.pump(leg.now + 200 * MS)
    sent = {(f.can_id, f.data) for f in leg.wire.frames if f.t_ns > since and f.can_id not in (0x701, 0x702, 0x703)}
    answers = {can_id for can_id, _ in sent if can_id & 0x780 in (0x180, 0x280, 0x380)}
    rest = {(can_id, data) for can_id, data in sent if can_id not in answers}
    assert rest == {(0x080, b""), (0x000, b"\x02\x00"), (0x201, b"\0\0"), (0x202, b"\0\0"), (0x203, b"\0\0")}
    for call in (lambda: leg.loop.energise(key), lambda: leg.loop.send(Frame(0, 0x201, b"\x0f\x00"))):
        with pytest.raises(NotPermitted):
            call()
    leg.loop.lower_and_off()
    assert leg.wire.energising(since) == []
    assert leg.loop.powered


def test_events_say_at_once_that_the_emergency_stop_is_needed() -> None:
    leg, _ = disobeyed()
    press = [event for event in leg.events if "PRESS THE EMERGENCY STOP" in event]
    assert press[0].startswith("the stop is not confirmed and the heartbeat has ended")
    assert len(press) == 2
    assert [r.subject for r in leg.loop.reasons if r.rule == "stop"] == ["hip", "leg"]


def test_no_new_precheck_without_a_fresh_proof_that_the_drives_are_off() -> None:
    leg, _ = disobeyed()
    since = leg.now
    with pytest.raises(PrecheckRefused, match="'drives off': a drive has never confirmed that it is off") as caught:
        leg.precheck()
    assert caught.value.powered
    assert "switch the drives' supply off and on" in caught.value.cause
    assert leg.wire.energising(since) == []
    assert leg.loop.powered


def test_drives_that_say_they_are_off_after_a_restart_may_be_looked_at_again() -> None:
    """The person has switched the supply off and on: every node starts anew and answers when it is asked."""
    leg, key = disobeyed()
    for node in leg.nodes:
        node.__dict__.pop("_obey", None)
        node._power.__dict__.pop("_obey", None)
        node._power.reset(leg.now)
        node._reset(leg.now, 0x9FFF)
    leg.wait(50 * MS)
    new = leg.precheck()
    assert any("every drive has said that it is off" in event for event in leg.events)
    with pytest.raises(NotPermitted):
        leg.loop.energise(key)
    leg.loop.energise(new)
    assert leg.energised() == [True] * 3


def test_telemetry_that_shows_them_off_is_proof_as_well() -> None:
    leg, _ = moving()
    leg.link.mute = lambda frame: 0x201 <= frame.can_id <= 0x203 or frame.can_id in (0x000, 0x77F)
    leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))
    obey = [node._power.connection_lost for node in leg.nodes]
    for node in leg.nodes:
        node._power.connection_lost = lambda t_ns, code: None  # type: ignore[method-assign]
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + 5 * S)
    assert leg.loop.unconfirmed
    leg.link.mute = lambda frame: False
    for node, react in zip(leg.nodes, obey, strict=True):
        node._power.connection_lost = react  # type: ignore[method-assign]
    leg.loop.run(20)
    assert leg.energised() == [False] * 3
    assert leg.loop.prove_off()
    assert not leg.loop.powered


def test_a_drive_without_a_status_object_proves_nothing_in_silence() -> None:
    leg, _ = disobeyed()
    leg.setup = replace(leg.setup, axes=tuple(replace(axis, status_object=None) for axis in leg.setup.axes))
    leg.loop.setup = leg.setup
    assert not leg.loop.prove_off()


def test_a_dead_bus_proves_nothing() -> None:
    leg, _ = moving()
    leg.link.close()
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + S)
    assert not leg.loop.prove_off()
    with pytest.raises(PrecheckRefused, match="never confirmed"):
        leg.precheck()


def test_stopping_a_leg_that_was_given_up_tries_once_more() -> None:
    leg, _ = disobeyed()
    leg.wire.frames.clear()
    leg.loop.stop(Reaction.LOWER_THEN_OFF, "the bench is closed")
    leg.wait(MS)
    words = {f.can_id: f.data for f in leg.wire.frames if 0x201 <= f.can_id <= 0x203}
    assert words == dict.fromkeys((0x201, 0x202, 0x203), b"\0\0")
    assert leg.loop.powered
    leg.loop.lower_and_off()


def test_a_leg_that_obeys_at_last_is_off() -> None:
    leg, key = disobeyed()
    leg.nodes[1]._power.__dict__.pop("_obey")
    stranger = leg.bus.attach(lambda _: None)
    for node in (1, 2, 3):  # brought back from the NMT stop by another program
        stranger.send(Frame(0, 0x000, bytes((0x01, node))))
    leg.loop.run(3)
    leg.loop.stop(Reaction.OFF_NOW, "once more")
    assert not leg.loop.powered
    assert not leg.loop.unconfirmed
    refused_after(leg, key)


# ---------------------------------------------------------------------- threads and forks


def port_of(leg: Leg) -> DirectPort:
    return DirectPort(leg.loop, lambda: "")


def test_a_call_from_another_thread_is_refused_and_stops_the_leg() -> None:
    leg, key = powered()
    port = port_of(leg)
    said: list[str] = []

    def intrude() -> None:
        try:
            port.pump(leg.now + S)
        except NotPermitted as error:
            said.append(str(error))

    since = leg.now
    thread = threading.Thread(target=intrude)
    thread.start()
    thread.join()
    assert said == ["a call from another thread than the one that opened the bench"]
    assert leg.now == since
    with pytest.raises(LegStopped, match="host, host: a call from another thread"):
        port.pump(leg.now + S)
    assert leg.energised() == [False] * 3
    refused_after(leg, key)


@pytest.mark.parametrize("name", ["stop", "close"])
def test_a_stop_from_another_thread_is_carried_out_by_the_right_one(name: str) -> None:
    leg, _ = powered()
    port = port_of(leg)
    call = {"stop": lambda: port.stop(Reaction.STOP_THEN_OFF, "a watchdog's wish"), "close": port.close}[name]
    thread = threading.Thread(target=call)
    before = len(leg.wire.frames)
    thread.start()
    thread.join()
    assert len(leg.wire.frames) == before
    with pytest.raises(LegStopped, match="from another thread"):
        port.pump(leg.now + S)
    assert leg.energised() == [False] * 3


def test_a_forked_process_is_refused_and_sends_nothing() -> None:
    leg, key = powered()
    port = port_of(leg)
    ask, tell = os.pipe()
    child = os.fork()
    if not child:  # nothing here may raise: the child must never come back into pytest
        answers = []
        try:
            leg.link.send = lambda frame: answers.append("SENT")  # type: ignore[method-assign]
            port.stop(Reaction.OFF_NOW, "atexit")
            port.close()
            for call in (
                lambda: port.pump(leg.now + S),
                lambda: port.energise(key),
                port.lower_and_off,
                port.precheck,
                port.scan,
                lambda: port.play(None, key),
                lambda: port.set_home({}, key),
            ):  # type: ignore[arg-type]
                try:
                    call()
                    answers.append("done")
                except NotPermitted as error:
                    answers.append("copy" if "is a copy of the one that opened the bench" in str(error) else "other")
        except BaseException as error:  # noqa: BLE001
            answers.append(repr(error))
        os.write(tell, ";".join(answers).encode())
        os._exit(0)
    os.waitpid(child, 0)
    os.close(tell)
    with os.fdopen(ask) as said:
        assert said.read() == ";".join(["copy"] * 7)
    port.pump(leg.now + 20 * MS)
    assert leg.energised() == [True] * 3


# ---------------------------------------------------------------------- the scan


def test_a_scan_passes_the_unpowered_steps_gives_no_permit_and_leaves_telemetry() -> None:
    leg = Leg()
    leg.wait(50 * MS)
    port = port_of(leg)
    steps = port.scan()
    assert [step.name for step in steps][-1] == "communication loss, unpowered"
    assert len(steps) == 9
    assert not leg.loop.ledger.live
    assert leg.wire.energising() == []
    frames = port.pump(leg.now + 100 * MS)
    assert {0x181, 0x182, 0x183} <= {f.can_id for f in frames}
    assert port.frames_seen == len(frames)


def test_a_scan_voids_an_older_permit_and_is_refused_when_closed() -> None:
    leg, key = rested()
    port = port_of(leg)
    port.scan()
    with pytest.raises(NotPermitted, match="a new pre-check has begun"):
        port.energise(key)
    port.close()
    with pytest.raises(NotPermitted, match="the bench is closed"):
        port.scan()


def test_a_port_counts_and_times() -> None:
    leg, key = rested()
    port = port_of(leg)
    assert port.now_ns() == leg.now
    port.energise(key)
    port.play(leg.stretch(0, 0.1, 0.1), key)
    port.lower_and_off()
    assert port.timing().expected > 0
