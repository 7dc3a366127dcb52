"""What the gate says, word for word, and its edges."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_leg import make_setup

from legtest.canbus.frame import REMOTE, Frame
from legtest.canbus.wiremap import Point, setpoint_decoder, setpoint_encoder
from legtest.safety.gate import Gate, payload
from legtest.safety.permit import Grant

SETUP = make_setup()
ALL = Grant("motion", (0, 1, 2), SETUP.torque_Nm, 1000)
ENABLE = SETUP.axes[0].enable[-1].frame


@pytest.mark.parametrize(
    ("frame", "grant", "words"),
    [
        (Frame(0, 0x080, b"", REMOTE), ALL, "only plain classical data frames leave this host"),
        (ENABLE, None, "no permit is in force, so nothing may be energised"),
        (ENABLE, ALL._replace(end_ns=0), "no permit is in force, so nothing may be energised"),
        (ENABLE, ALL._replace(axes=(1,), kind="trial"), "the trial permit does not cover this axis"),
        (Frame(0, 0x601, b"\x40\x18\x10"), None, "an object access has eight bytes"),
        (Frame(0, 0x601, b"\x21\x72\x60\x00\x08\0\0\0"), None, "only expedited writes leave this host"),
        (Frame(0, 0x601, b"\x2b\x72\x60\x00\xff\x7f\0\0"), None,
         "object 0x6072:00 is not one that this leg's set-up writes"),
    ],
)  # fmt: skip
def test_a_refusal_says_why(frame: Frame, grant: Grant | None, words: str) -> None:
    assert Gate(SETUP).refusal(frame, grant, 0, False) == words


def test_frames_of_enabling_energise_and_stops_do_not() -> None:
    gate = Gate(SETUP)
    for axis in SETUP.axes:
        assert all(gate.energises(step.frame) for step in axis.enable)
        assert not any(gate.energises(frame) for frames in axis.stop.values() for frame in frames)


def test_every_setting_is_known_by_its_index_and_sub_index() -> None:
    gate = Gate(SETUP)
    subs = set()
    for axis, writes in zip(SETUP.axes, SETUP.objects, strict=True):
        last = {(write.entry, write.sub): write for write in writes}  # some are written twice: off, and on again
        for (entry, sub), write in last.items():
            head = bytes((0x23, entry & 0xFF, entry >> 8, sub))
            assert gate.setting(Frame(0, 0x600 + axis.node, head + payload(write).ljust(4, b"\0"))) == write.what
            subs.add(sub)
    assert len(subs) > 2


def test_a_leg_that_cannot_be_told_its_home_has_a_gate_too() -> None:
    axes = tuple(replace(axis, home=None) for axis in SETUP.axes)
    gate = Gate(replace(SETUP, axes=axes))
    assert gate.refusal(ENABLE, ALL, 0, True) == ""


@pytest.mark.parametrize("forward", [False, True])
def test_as_much_torque_as_is_permitted_passes(forward: bool) -> None:
    can_id, encode = setpoint_encoder(SETUP.axes[0])
    gate, tried = Gate(SETUP), 0
    for raw in range(1, 200):
        torque = 0.006 * raw
        frame = Frame(0, can_id, encode(Point(0.0, torque if forward else 0.0, 0.0 if forward else torque)))
        point = setpoint_decoder(SETUP.axes[0])(frame.data)
        asked = point.torque_ff_Nm if forward else point.torque_cap_Nm
        if (asked - 1e-9) + 1e-9 != asked:
            continue  # the sum is not exact, so that this is no edge
        tried += 1
        grant = ALL._replace(torque_Nm=(asked - 1e-9, 0.0, 0.0))
        assert gate.refusal(frame, grant, 0, True) == ""
    assert tried > 20
