"""Something breaks while the leg is powered: every axis stops in its budget, the permit is dead, nothing restarts.

Times are measured on the bus by a station of its own; limits are the budgets of the set-up.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from bench_leg import MS, Leg, S
from powered_leg import FRAMES_NS, SETUP, T, moving, refused_after

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Reaction
from legtest.errors import DriveError, LegStopped, LegtestError, NotPermitted

BOTH = (0x0000, 0x0002)  # disable voltage, quick stop


def fault(leg: Leg) -> None:
    leg.nodes[1]._power.fault(leg.now, 0x2310)


def reboot(leg: Leg) -> None:
    leg.nodes[1]._power.reset(leg.now)
    leg.nodes[1]._reset(leg.now, 0x9FFF)


def telemetry_loss(leg: Leg) -> None:
    leg.link.drop = lambda frame: frame.can_id == 0x182


def supply_loss(leg: Leg) -> None:
    for axis in leg.axes:
        axis.supply_V = 10.0


def over_voltage(leg: Leg) -> None:
    leg.axes[1].supply_V = 70.0


def encoder_slip(leg: Leg) -> None:
    leg.axes[1].slip_rad = 0.1


def foreign_master(leg: Leg) -> None:
    leg.bus.attach(lambda _: None).send(Frame(0, 0x080, b""))


def away(leg: Leg) -> None:
    """The host computes for 30 ms instead of keeping its cycles."""
    leg.bus.run(leg.now + 30 * MS)


def push(leg: Leg) -> None:
    """Somebody turns the hip by force."""
    leg.bodies[1].velocity = 6.0


BREAKS: dict[str, tuple[Callable[[Leg], None], str, int]] = {
    "drive fault": (fault, "drive fault|emergency", 2),
    "reboot": (reboot, "boot-up", 2),
    "telemetry loss": (telemetry_loss, "telemetry age, hip", 5),
    "supply loss": (supply_loss, "emergency|drive fault|supply", 2),
    "over-voltage": (over_voltage, "emergency|drive fault|supply", 2),
    "encoder slip": (encoder_slip, "position jump, hip", 2),
    "foreign master": (foreign_master, "foreign master, 0x80", 2),
    "host away": (away, "deadline, host", 2),
    "pushed": (push, "speed, hip|speed, knee", 3),
}


@pytest.mark.parametrize("name", BREAKS)
def test_one_axis_stops_all_the_permit_is_void_and_nothing_restarts(name: str) -> None:
    put, reasons, cycles = BREAKS[name]
    leg, key = moving()
    put(leg)
    since = leg.now
    with pytest.raises(LegStopped, match=reasons) as caught:
        leg.loop.pump(leg.now + 2 * S)
    budget = cycles * T + FRAMES_NS
    for node in (1, 2, 3):
        first = next((f for f in leg.wire.frames if f.can_id == 0x200 + node and f.t_ns > since), None)
        if name == "supply loss" or (node == 2 and name in ("drive fault", "reboot", "over-voltage")):
            continue  # off by itself
        assert first is not None
        assert first.t_ns - since <= budget
        assert int.from_bytes(first.data, "little") in BOTH
    assert leg.energised() == [False] * 3
    said = str(caught.value)
    assert len(set(said.split("; "))) == len(said.split("; ")), "each reason is told once"
    refused_after(leg, key)


def test_after_a_stop_only_a_new_precheck_gives_power_again() -> None:
    leg, key = moving()
    fault(leg)
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + S)
    refused_after(leg, key)
    leg.nodes[1]._dictionary.set(0x6040, 0, 0x80)  # cleared by hand, as the refusal asks
    leg.nodes[1]._power._controlword_written(leg.now)
    leg.loop.energise(leg.precheck())
    assert leg.energised() == [True] * 3
    with pytest.raises(NotPermitted):
        leg.loop.play(leg.stretch(0, 0.1, 0.1), key)


def test_stop_frames_that_are_lost_are_sent_again() -> None:
    """The first six frames of a stop never leave the adapter (hazard 26)."""
    leg, _ = moving()
    lost: list[Frame] = []

    def mute(frame: Frame) -> bool:
        if len(lost) < 6 and 0x201 <= frame.can_id <= 0x203:
            lost.append(frame)
            return True
        return False

    leg.link.mute = mute
    foreign_master(leg)
    with pytest.raises(LegStopped):
        leg.loop.pump(leg.now + S)
    assert len(lost) == 6
    assert leg.energised() == [False] * 3
    assert not leg.loop.powered


def test_a_drive_that_obeys_nothing_ends_in_nmt_stop_silence_and_a_call_for_the_emergency_stop() -> None:
    leg, key = moving()
    leg.nodes[1]._power._obey = lambda t_ns, command: None  # type: ignore[method-assign]
    since = leg.now
    foreign_master(leg)
    with pytest.raises(LegStopped, match="stop, hip: not confirmed"):
        leg.loop.pump(leg.now + 3 * S)
    words = [f.data[0] for f in leg.wire.frames if f.can_id == 0x202 and f.t_ns > since]
    assert words[0] == 0x02
    assert 0x00 in words
    nmt = [f.t_ns for f in leg.wire.frames if (f.can_id, f.data) == (0x000, b"\x02\x00") and f.t_ns > since]
    beats = [f.t_ns for f in leg.wire.frames if f.can_id == 0x77F]
    assert nmt
    assert beats[-1] <= nmt[0] + T
    assert nmt[0] - since < 100 * MS
    assert any("PRESS THE EMERGENCY STOP" in event for event in leg.events)
    assert leg.wire.energising(nmt[0]) == []
    with pytest.raises(NotPermitted):
        leg.loop.energise(key)


def test_when_the_host_is_gone_the_drives_stop_by_themselves() -> None:
    """No frame leaves any more: lost heartbeat after 100 ms, then the quick stop ramp and off."""
    leg, _ = moving()
    leg.link.mute = lambda frame: True
    since = leg.now
    off_at: list[int] = []
    leg.bus.run(since + SETUP.loss_ns - SETUP.heartbeat_ns - T)
    assert leg.energised() == [True] * 3
    while len(off_at) < 3 and leg.now < since + S:
        leg.bus.run(leg.now + MS)
        off_at += [leg.now for _ in range(leg.energised().count(False) - len(off_at))]
    assert len(off_at) == 3
    assert max(off_at) - since <= SETUP.loss_ns + 1.0 / 300 * S + 10 * MS


def test_a_lost_bus_stops_the_beat_and_the_drives_act() -> None:
    leg, _ = moving()
    leg.link.close()
    with pytest.raises(LegtestError):
        leg.loop.pump(leg.now + S)
    leg.loop.stop(Reaction.STOP_THEN_OFF, "the bus is lost")
    leg.bus.run(leg.now + 300 * MS)
    assert leg.energised() == [False] * 3
    assert any("the drives act by themselves" in event for event in leg.events)


@pytest.mark.parametrize("step", [0, 1, 2])
def test_a_drive_that_is_not_enabled_leaves_none_enabled(step: int) -> None:
    """One drive stays behind at one step of the state machine; nobody is left half on."""
    leg = Leg()
    key = leg.precheck()
    power = leg.nodes[2]._power
    obey, seen = power._obey, [0]

    def stuck(t_ns: int, command: object) -> None:
        seen[0] += 1
        if seen[0] <= step:
            obey(t_ns, command)  # type: ignore[arg-type]

    power._obey = stuck  # type: ignore[method-assign]
    with pytest.raises(DriveError, match=f"step {step + 1} of enabling was not confirmed; statuswords:.*knee 0x"):
        leg.loop.energise(key)
    assert leg.energised() == [False] * 3
    assert not leg.loop.powered


class Interrupted(BaseException):
    """As KeyboardInterrupt comes: between any two calls."""


@pytest.mark.parametrize("call", range(0, 60, 7))
def test_an_interrupt_while_enabling_leaves_nothing_on(call: int) -> None:
    leg = Leg()
    key = leg.precheck()
    pump, count = leg.link.pump, [0]

    def interrupted(until_ns: int) -> list[Frame]:
        count[0] += 1
        if count[0] == call + 1:
            raise Interrupted
        return pump(until_ns)

    leg.link.pump = interrupted  # type: ignore[method-assign]
    try:
        leg.loop.energise(key)
    except Interrupted:
        leg.bus.run(leg.now + 5 * MS)
        assert leg.energised() == [False] * 3
        assert not leg.loop.powered
    else:
        assert count[0] <= call
