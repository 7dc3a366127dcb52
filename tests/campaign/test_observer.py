"""The observer on a wire made up by hand: a good run passes, and what must not be is said, with its number."""

from __future__ import annotations

import pytest
from plain_wire import AXES, MS, PLAN, P, Wire, broken_with

from legtest.canbus.frame import ERROR, EXTENDED, SENT, Frame


def running(cycles: int = 20) -> Wire:
    wire = Wire()
    wire.cycle(cycles)
    return wire


def off(wire: Wire) -> None:
    """The stages go off, as the drives say from then on."""
    wire.t += MS
    wire.stages(False)
    wire.status = [0x40, 0x40]


def test_a_good_run_has_nothing_broken() -> None:
    wire = running()
    wire.stop(0x02)
    off(wire)
    wire.cycle(3)
    assert wire.end() == []
    assert wire.observer.violations == []


def test_a_stop_in_time_is_measured_against_its_budgets() -> None:
    wire = running()
    begun = wire.t
    wire.observer.violation(begun, "it", "stop")
    wire.stop(0x02)
    off(wire)
    assert wire.end() == []
    (stop,) = wire.observer.stops
    assert stop.quick_stop_ns == begun + 200_000
    assert stop.power_off_ns == begun + 200_000 + MS
    assert stop.quick_stop_budget_ns == P + 7 * 135 * 1000 + MS
    assert stop.power_off_budget_ns == stop.quick_stop_budget_ns + 20 * MS + P


def test_no_stop_breaks_I4_and_no_power_off_breaks_I5_and_set_points_break_I3() -> None:
    wire = running()
    wire.observer.violation(wire.t, "it", "stop")
    wire.cycle(60)
    lines = wire.end()
    for name in ("I4", "I5", "I3", "I8"):
        assert broken_with(lines, name), name


def test_a_stop_that_one_axis_does_not_get_breaks_I4() -> None:
    wire = running()
    wire.observer.violation(wire.t, "it", "stop")
    wire.t += 200_000
    wire.host(0x201, b"\x02\x00")
    wire.set_points = False
    wire.cycle(3)
    assert [line for line in wire.end() if "I4" in line and "knee" in line]


def test_braking_where_the_power_must_go_breaks_I6() -> None:
    wire = running()
    wire.observer.violation(wire.t, "slip", "off")
    wire.stop(0x02)
    wire.cycle(3)
    assert broken_with(wire.end(), "I6")


def test_power_taken_at_speed_breaks_I6_unless_the_feedback_is_distrusted() -> None:
    for distrusted in (False, True):
        wire = running()
        for _ in range(5):
            wire.position = [place + 1.0 * P * 1e-9 for place in wire.position]
            wire.demand = list(wire.position)
            wire.stages(True)
            wire.cycle()
        if distrusted:
            wire.observer.distrust()
        wire.stop(0x00)
        off(wire)
        wire.cycle(2)
        assert broken_with(wire.end(), "I6") is not distrusted


def test_power_without_a_permit_breaks_I1() -> None:
    assert broken_with(Wire(permits=False).end(), "I1")


def test_power_after_a_violation_breaks_I2_and_I14() -> None:
    wire = running()
    wire.observer.violation(wire.t, "it", "stop")
    wire.stop(0x02)
    off(wire)
    wire.cycle(3)
    wire.host(0x201, b"\x06\x00")
    wire.stages(True)
    lines = wire.end()
    assert broken_with(lines, "I2")
    assert broken_with(lines, "I14")


def test_silence_of_the_host_with_the_power_on_breaks_I7() -> None:
    wire = running()
    wire.t += PLAN.loss_ns + 50 * MS
    wire.stages(True)
    assert broken_with(wire.end(), "I7")


def test_a_drive_that_acts_on_silence_in_time_is_right() -> None:
    wire = running()
    wire.observer.violation(wire.t, "host died", "drives")
    wire.t += PLAN.loss_ns + MS
    wire.stages(False)
    assert wire.end() == []


def test_a_heartbeat_before_its_pass_breaks_I8() -> None:
    wire = running()
    wire.beats = False
    wire.host(0x080, b"")
    wire.t += 100_000
    wire.host(0x77F, b"\x05")
    assert broken_with(wire.end(), "I8")


def test_a_cap_above_the_permit_breaks_I9_and_a_leap_of_the_demand_I18() -> None:
    wire = running()
    wire.cap = 3200
    wire.cycle()
    wire.demand = [0.1, 0.0]
    wire.cycle()
    lines = wire.end()
    assert broken_with(lines, "I9")
    assert broken_with(lines, "I18")


def test_old_set_points_in_a_burst_break_I12() -> None:
    wire = running()
    for _ in range(8):
        wire.t += 200_000
        wire.host(0x301, bytes(8))
    assert broken_with(wire.end(), "I12")


def test_joints_beyond_their_limits_with_nobody_stopping_break_I11() -> None:
    wire = running()
    wire.observer.homed(True)
    for _ in range(12):  # what the host is told stays good
        wire.observer.truth(wire.t, 0, 1.05, 0.0, 0x27)
        wire.observer.truth(wire.t, 1, 0.0, 0.0, 0x27)
        wire.cycle()
    assert broken_with(wire.end(), "I11")


@pytest.mark.parametrize(
    ("can_id", "data", "flags", "what"),
    [
        (0x181, bytes(3), 0, "decode"),
        (0x080, b"", 0, "foreign master"),
        (0x202, b"\x00\x00", 0, "foreign master"),
        (0x081, b"\x10\x23\x01\0\0\0\0\0", 0, "emergency"),
        (0x701, b"\0", 0, "boot-up"),
        (0x40, bytes(8), ERROR, "bus errors"),
    ],
)
def test_what_a_host_must_notice_on_the_bus(can_id: int, data: bytes, flags: int, what: str) -> None:
    wire = running()
    wire.drive(can_id, data, flags)
    wire.cycle(4)
    assert wire.observer.violations[0][1].startswith(what)
    assert broken_with(wire.end(), "I4")


def test_what_a_host_must_notice_of_a_drive() -> None:
    cases = {
        "drive fault": lambda w: setattr(w, "status", [0x28, 0x27]),
        "drive state": lambda w: setattr(w, "status", [0x23, 0x27]),
        "position jump": lambda w: setattr(w, "position", [0.5, 0.0]),
        "following error": lambda w: setattr(w, "demand", [0.3, 0.0]),
        "torque": lambda w: (setattr(w, "torque", [900, 0]), setattr(w, "cap", 500)),
    }
    for what, change in cases.items():
        wire = running()
        change(wire)
        wire.cycle(16)
        assert what in {text.rpartition(" ")[0] for _, text, _ in wire.observer.violations}, what
        assert broken_with(wire.end(), "I4")


def test_missing_answers_are_too_old_after_three_cycles() -> None:
    for missed in (3, 4):
        wire = running()
        for _ in range(missed):
            wire.host(0x080, b"")
            wire.t += P
        wire.cycle(2)
        assert any("telemetry age" in text for _, text, _ in wire.observer.violations) is (missed == 4)


def test_time_without_a_way_out_of_the_adapter_is_not_held_against_the_host() -> None:
    wire = running()
    wire.observer.hampered(wire.t, wire.t + 50 * MS)
    wire.observer.violation(wire.t, "it", "stop")
    wire.t += 52 * MS
    wire.stop(0x02)
    off(wire)
    assert wire.end() == []


def test_lines_of_a_wire_log_say_who_sent_and_where_the_leg_is() -> None:
    wire = Wire()
    wire.observer.line(Frame(wire.t, 0x080, b"", SENT))
    truth = (250_000).to_bytes(4, "little", signed=True) + (150).to_bytes(2, "little") + b"\x40\x00"
    wire.observer.line(Frame(wire.t, 0x1FFFFF00, truth, EXTENDED))
    wire.observer.line(Frame(wire.t, 0x1FFFFF01, truth, EXTENDED))
    assert wire.end() == []
    assert [axis.name for axis in AXES] == ["hip", "knee"]
