"""What the pre-check measures beside its yes and no: plausible telemetry, timing, loss time, and what a drive lacks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from bench_leg import MS, Leg, S, make_setup

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Reaction, StatusTest
from legtest.errors import BusLost, NotPermitted, PrecheckRefused
from legtest.safety.port import PrecheckReport
from legtest.safety.precheck import run_precheck
from legtest.safety.setup import allowed_speed
from legtest.simulation.watch import Watch

SETUP = make_setup()
T = SETUP.period_ns


def report_of(leg: Leg) -> PrecheckReport:
    leg.wait(50 * MS)
    return run_precheck(leg.loop)


def step_of(report: PrecheckReport, name: str) -> Any:
    return next(step for step in report.steps if step.name == name)


def refused(leg: Leg, match: str) -> PrecheckRefused:
    with pytest.raises(PrecheckRefused, match=match) as caught:
        leg.precheck()
    return caught.value


def altering(leg: Leg, can_id: int, change: Callable[[bytes], bytes]) -> Leg:
    """Every frame with this identifier reads otherwise for the host."""
    pump = leg.link.pump
    leg.link.pump = lambda until: [  # type: ignore[method-assign]
        f._replace(data=change(f.data)) if f.can_id == can_id and not f.flags & SENT else f for f in pump(until)
    ]
    return leg


# ---------------------------------------------------------------------- plausible telemetry


@pytest.mark.parametrize(("celsius", "passes"), [(40.0, True), (39.9, True), (40.1, False), (9.9, False), (10.0, True)])
def test_cold_windings_are_as_warm_as_each_other(celsius: float, passes: bool) -> None:
    """Within 15 K, of the others' 25 degC."""
    leg = Leg()
    leg.axes[1].temperature_C = celsius
    if celsius > 40.0:  # nobody is cold any more: the others come after
        passes = True
    if passes:
        leg.precheck()
        return
    said = refused(leg, "temperatures abduction 25.0 degC, hip 9.9 degC, knee 25.0 degC")
    assert said.expected == "within 15 K of each other while none is above 40 degC"
    assert not said.powered


def test_an_open_temperature_sensor_is_found() -> None:
    leg = Leg()
    leg.axes[2].temperature_C = -19.0
    refused(leg, "knee -19.0 degC.*sensor that is open, stuck or not connected")


@pytest.mark.parametrize(("per_mille", "passes"), [(300, True), (301, False), (-300, True), (-301, False)])
def test_torque_without_power(per_mille: int, passes: bool) -> None:
    """A tenth of 18 N*m is 300 per mille of 6 N*m."""
    torque = per_mille.to_bytes(2, "little", signed=True)
    leg = altering(Leg(), 0x181, lambda d: d if d[0] & 0x6F == 0x27 else d[:6] + torque)
    if passes:
        assert step_of(report_of(leg), "telemetry plausible").lost == ""
        return
    assert "1.80 N*m without power" in refused(leg, r"abduction: torque [+-]1\.81 N\*m").expected


@pytest.mark.parametrize("raw", [-(2**31), 2**31 - 1])
def test_a_position_at_an_end_of_its_field_is_stuck(raw: int) -> None:
    leg = altering(Leg(), 0x182, lambda d: d[:2] + raw.to_bytes(4, "little", signed=True) + d[6:])
    assert f"hip: position {raw} counts" in refused(leg, "an encoder that is not connected").value


def test_a_drive_without_motor_voltage_is_refused() -> None:
    leg = altering(Leg(), 0x183, lambda d: bytes((d[0] & ~0x10,)) + d[1:])
    said = refused(leg, "knee: statusword 0x.... without voltage")
    assert (said.step, said.expected) == ("telemetry plausible", "motor voltage")
    assert "emergency stop still pressed" in said.cause


# ---------------------------------------------------------------------- timing of this program


class Late:
    """Makes the adapter's wait for a slot end late, so many ns, in these cycles of the step."""

    def __init__(self, leg: Leg, late_ns: int, cycles: Callable[[int], bool]) -> None:
        pump, bus, count = leg.link.pump, leg.bus, [0]

        def late(until_ns: int) -> list[Frame]:
            if until_ns == leg.loop._next:
                count[0] += 1
                if leg.loop.configuring and cycles(count[0]):
                    return pump(until_ns + late_ns)
            return pump(until_ns)

        self.bus = bus
        leg.link.pump = late  # type: ignore[method-assign]


@pytest.mark.parametrize(("late_ns", "passes"), [(T // 4 - 1, True), (T // 4, False), (20 * T, False)])
def test_two_cycles_of_a_hundred_begin_late(late_ns: int, passes: bool) -> None:
    leg = Leg(replace(SETUP, age_cycles=40))
    Late(leg, late_ns, lambda k: k % 25 == 0)
    if passes:
        step = step_of(report_of(leg), "host in time")
        assert step.figures["lateness_s"] == pytest.approx(late_ns * 1e-9)
        return
    said = refused(leg, "host in time")
    assert said.expected == "less than 1 ms"
    assert float(said.value.split()[-3]) >= 1.0


def test_one_bad_hundred_is_measured_again() -> None:
    leg = Leg()
    Late(leg, T // 2, lambda k: 110 < k < 140)
    assert step_of(report_of(leg), "host in time").figures["lateness_s"] < T * 1e-9 / 4


# ---------------------------------------------------------------------- the stop frames on the wire


def test_stop_frames_that_do_not_come_back_are_refused() -> None:
    leg = Leg()
    leg.link.mute = lambda frame: frame.can_id == 0x202
    said = refused(leg, "4 of 6 stop frames on the wire")
    assert (said.step, said.powered) == ("monitor self-test", False)


def test_the_stop_frames_have_been_on_the_wire_before_any_power() -> None:
    leg = Leg()
    report = report_of(leg)
    assert step_of(report, "monitor self-test").figures == {"stop_frames": 6}
    words = [(f.can_id, f.data) for f in leg.wire.frames if 0x201 <= f.can_id <= 0x203]
    assert set(words[:6]) == {(0x200 + n, bytes((w, 0))) for n in (1, 2, 3) for w in (0, 2)}


# ---------------------------------------------------------------------- loss time and speed


def test_the_loss_time_is_counted_from_the_last_heartbeat() -> None:
    """The drives' own timers run 100 ms from it."""
    report = report_of(Leg())
    assert step_of(report, "communication loss, unpowered").figures["loss_s"] == pytest.approx(0.1, abs=2e-3)
    for joint in ("abduction", "hip", "knee"):
        loss = step_of(report, f"communication loss of {joint}, energised").figures["loss_s"]
        assert 0.1 <= loss <= 0.1 + 3 * T * 1e-9
    allowed = step_of(report, "allowed speed")
    assert allowed.figures["speed_rad_s"] == pytest.approx(allowed_speed(0.3, 0.1))
    assert allowed.found == "2.86 rad/s at most"


class Slower:
    """A heartbeat consumer that acts so much later than it was told."""

    def __init__(self, watch: Watch, extra_ns: int) -> None:
        self.watch, self.extra_ns, self.fed = watch, extra_ns, watch.fed

    def set(self, time_ns: int) -> None:
        self.watch.set(time_ns + self.extra_ns if time_ns else 0)


def slower_watch(leg: Leg, extra_ns: int) -> Leg:
    for node in leg.nodes:
        node._heartbeat_watch = Slower(node._heartbeat_watch, extra_ns)  # type: ignore[assignment]
    return leg


def test_drives_that_act_later_than_promised_slow_the_leg() -> None:
    leg = slower_watch(Leg(), 30 * MS)
    report = report_of(leg)
    allowed = step_of(report, "allowed speed")
    proved = allowed.figures["proved_loss_s"]
    assert proved == pytest.approx(0.13, abs=3 * T * 1e-9)
    assert allowed.figures["speed_rad_s"] == pytest.approx(allowed_speed(0.3, proved))
    assert {joint.speed_rad_s for joint in leg.loop.rules.joints} == {allowed_speed(0.3, proved)}
    leg.loop.energise(report.permit)
    with pytest.raises(NotPermitted, match=r"abduction at \+2\.70 rad/s, allowed 2\.\d\d rad/s"):
        leg.loop.play(leg.stretch(0, 2.7, 0.1), report.permit)
    leg.loop.play(leg.stretch(0, 2.0, 0.1), report.permit)


def test_much_later_is_refused() -> None:
    said = refused(slower_watch(Leg(), 60 * MS), "abduction: one after 16.* ms")
    assert (said.step, said.expected) == ("communication loss, unpowered", "one within 100 ms")


# ---------------------------------------------------------------------- what a drive lacks


def lacking(index: int, **changes: Any) -> Any:
    axes = list(SETUP.axes)
    axes[index] = replace(axes[index], **changes)
    return replace(SETUP, axes=tuple(axes))


def test_a_drive_that_does_not_stop_by_itself_needs_a_switch_that_does() -> None:
    alone = replace(
        SETUP, arm=(SETUP.arm[0], None, SETUP.arm[2]), disarm=(SETUP.disarm[0], None, SETUP.disarm[2])
    )  # fmt: skip
    leg = Leg(alone)
    leg.wait(50 * MS)
    before = len(leg.wire.frames)
    with pytest.raises(PrecheckRefused, match="'set-up': hip: no reaction of its own to lost communication") as caught:
        run_precheck(leg.loop)
    assert "the bench declares no supply switch" in caught.value.cause
    assert len(leg.wire.frames) == before
    leg = Leg(replace(alone, supply_switch="relay K1"))
    report = report_of(leg)
    said = {step.name: step.lost for step in report.steps if step.lost}
    assert said == {
        "communication loss, unpowered": "hip: stops by relay K1 alone, which the sign-off proves",
        "communication loss of hip, energised": "it stops by relay K1 alone, which the sign-off proves",
    }
    leg.loop.energise(report.permit)
    assert leg.energised() == [True] * 3
    leg.loop.lower_and_off()
    watched = [node._dictionary.number(0x1016, 1) for node in leg.nodes]
    assert watched[1] == 0


def test_a_leg_of_which_no_drive_stops_by_itself() -> None:
    nothing = (None, None, None)
    leg = Leg(replace(SETUP, arm=nothing, disarm=nothing, supply_switch="relay K1"))
    report = report_of(leg)
    assert step_of(report, "communication loss, unpowered").figures == {}
    assert step_of(report, "allowed speed").figures["proved_loss_s"] == 0.0


def test_a_drive_whose_status_cannot_be_read_is_looked_at_in_its_telemetry() -> None:
    leg = Leg(lacking(1, status_object=None))
    assert step_of(report_of(leg), "drives off").lost == (
        "hip: its state is first known from telemetry, once it was started"
    )


def test_and_when_that_shows_it_energised_it_is_switched_off_and_refused() -> None:
    leg = Leg(lacking(1, status_object=None))
    port = leg.bus.attach(lambda _: None)
    leg.wait(5 * MS)
    port.send(Frame(0, 0x000, b"\x01\x02"))
    leg.wait(5 * MS)
    for word in (0x06, 0x07, 0x0F):
        port.send(Frame(0, 0x202, bytes((word, 0))))
        leg.wait(5 * MS)
    leg.link.pump(leg.now)
    refused(leg, "drive state, hip: statusword 0x.*off without a permit")
    leg.wait(20 * MS)
    assert leg.energised() == [False] * 3


def test_what_the_leg_file_does_not_say_is_told() -> None:
    identity = list(SETUP.identity)
    identity[2] = identity[2]._replace(serial=None, revision=None)
    leg = Leg(replace(SETUP, identity=tuple(identity)))
    assert step_of(report_of(leg), "identity").lost == "the leg file does not say: knee revision, knee serial"


def test_what_a_drive_does_not_send_is_never_watched() -> None:
    feedback = tuple(s for s in SETUP.axes[0].feedback if s.role not in ("temperature", "error"))
    leg = Leg(lacking(0, feedback=feedback))
    assert step_of(report_of(leg), "telemetry plausible").lost == (
        "never watched, for the drive does not send it: abduction temperature"
    )


def test_a_status_without_a_word_of_voltage_is_not_asked_for_one() -> None:
    leg = altering(Leg(replace(SETUP, voltage=(None,) * 3)), 0x183, lambda d: bytes((d[0] & ~0x10,)) + d[1:])
    leg.precheck()


# ---------------------------------------------------------------------- what is not a refusal, and what is


def test_a_lost_bus_is_no_refusal_of_the_leg() -> None:
    leg = Leg()
    leg.link.close()
    with pytest.raises(BusLost):
        leg.precheck()


def test_a_fault_of_this_program_is_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    from legtest.safety import unpowered

    def broken(*_: object) -> None:
        raise ZeroDivisionError("no idea")

    monkeypatch.setattr(unpowered, "untripped_rules", broken)
    said = refused(Leg(), "monitor self-test")
    assert (said.value, said.expected) == ("ZeroDivisionError: no idea", "a step without an exception")


def test_what_goes_wrong_in_a_trial_takes_the_power_away_at_once() -> None:
    """Disable voltage (0x0000) and no quick stop (0x0002): braking needs a feedback that can be trusted."""
    leg = Leg()
    leg.axes[1].motor, leg.axes[2].motor = leg.bodies[2], leg.bodies[1]
    begun: list[int] = []
    leg.bus.attach(lambda f: begun.append(f.t_ns) if f.can_id == 0x302 and not begun else None)
    refused(leg, "trial of hip")
    words = [f.data for f in leg.wire.frames if f.can_id == 0x202 and f.t_ns > begun[0]]
    words = words[max(i for i, w in enumerate(words) if w == b"\x0f\x00") + 1 :]
    assert set(words) == {b"\x00\x00"}


def test_a_wrong_sign_moves_the_joint_less_than_half_a_degree() -> None:
    leg = Leg()
    leg.axes[0].turns = -1
    furthest = [0.0]
    leg.bus.attach(lambda _: furthest.append(abs(leg.bodies[0].position)))
    said = refused(leg, "trial of abduction.*going away")
    assert said.powered
    assert max(furthest) < 0.5 * 3.1416 / 180


def test_the_precheck_of_a_short_permit_ends_with_it() -> None:
    leg = Leg(replace(SETUP, permit_ns=3 * S))
    report = report_of(leg)
    assert report.end_ns == leg.now + 3 * S
    assert StatusTest(0x10, 0x10).holds(leg.loop.state.axes[0].status)
    assert Reaction.OFF_NOW == 0
