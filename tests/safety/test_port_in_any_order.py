"""Whatever is called in whatever order, and whatever breaks: nothing energises the leg without a live permit.

The wire is judged by this file's own book-keeping: which keys a passed pre-check has handed out, which are dead, and
whether power was asked for with a live one. Nothing of legtest.safety is asked.
"""

from __future__ import annotations

from typing import Any

import pytest
from bench_leg import MS, Leg, S, energises, make_setup, shorter
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import LegStopped, LegtestError
from legtest.safety.direct import DirectPort
from legtest.safety.permit import Permit
from legtest.safety.stretch import Stretch

PERMIT_NS = 6 * S
SETUP = shorter(make_setup(), PERMIT_NS)
NAMES = tuple(axis.axis for axis in SETUP.axes)
DEAD = Permit(b"\0" * 16, "motion")


class AnyOrder(RuleBasedStateMachine):
    """Calls of the port in random order, with drives that fail."""

    @initialize()
    def open(self) -> None:
        self.leg = Leg(SETUP)
        self.leg.wait(50 * MS)
        self.allowed = True
        self.port = DirectPort(self.leg.loop, lambda: "" if self.allowed else "not now")
        self.keys: list[Permit] = [DEAD]
        self.live: Permit | None = None  # the one key that may give power now
        self.end_ns = 0
        self.on = False  # power was given by a live key and not taken since
        self.seen = 0
        self.closed = False
        self.precheck()

    # ------------------------------------------------------------------ book-keeping

    def call(self, what: Any, *arguments: Any, powers_by: Permit | None = None) -> Any:
        """One call; afterwards the wire may hold energising frames only if power was on, or given rightly now."""
        rightly = powers_by is not None and powers_by is self.live and self.leg.now < self.end_ns and not self.closed
        rightly = rightly and self.allowed
        before, result = self.on, None
        try:
            result = what(*arguments)
            if powers_by is not None:
                assert rightly, "power was given for a key that is worth nothing"
        except LegStopped:
            self.live, self.on = None, False
        except LegtestError as error:
            result = error
        if not (before or rightly):
            assert self.new_energising() == []
        self.seen = len(self.leg.wire.frames)
        if self.leg.now >= self.end_ns:
            self.live = None
        if not any(self.leg.energised()):
            self.on = False
        return result

    def new_energising(self) -> list[Frame]:
        return [f for f in self.leg.wire.frames[self.seen :] if energises(f)]

    def some_key(self, data: st.DataObject) -> Permit:
        """Mostly the one that is worth something."""
        return data.draw(st.sampled_from([self.live or self.keys[-1]] * 3 + self.keys))

    # ------------------------------------------------------------------ calls

    @precondition(lambda self: self.live is None or len(self.keys) < 4)
    @rule()
    def precheck(self) -> None:
        if self.on:
            return  # a bench never asks for it while energised; tried on its own below
        self.repair()
        allowed = self.allowed and not self.closed
        if allowed:
            self.live = None  # whatever comes out, older keys are dead
        start = len(self.leg.wire.frames)
        try:
            report = self.port.precheck()
        except LegtestError:
            report = None
        trial = [f for f in self.leg.wire.frames[start:] if energises(f)]
        assert allowed or trial == []
        caps = {int.from_bytes(f.data[6:8], "little") for f in trial if f.can_id & 0x780 == 0x300}
        assert caps <= {450}, "never above 15 % of 18 N*m"
        assert not any(self.leg.energised())
        self.seen = len(self.leg.wire.frames)
        if report is not None:
            self.live, self.end_ns = report.permit, self.leg.now + PERMIT_NS
            self.keys.append(report.permit)

    @rule(data=st.data())
    def energise(self, data: st.DataObject) -> None:
        key = self.some_key(data)
        already = self.on
        result = self.call(self.port.energise, key, powers_by=None if already else key)
        if not already and result is None and all(self.leg.energised()):
            self.on = True

    @rule(data=st.data(), speed=st.floats(-4, 4), seconds=st.floats(0.02, 0.5), hold=st.integers(0, 500))
    def play(self, data: st.DataObject, speed: float, seconds: float, hold: int) -> None:
        key = self.some_key(data)
        try:
            table = self.leg.stretch(data.draw(st.integers(0, 2)), speed, seconds, hold * MS)
        except LegtestError:
            table = Stretch(NAMES, (0,), ((Point(0.0, 0.0, 1.0),) * 3,))
        self.call(self.port.play, table, key)

    @rule(data=st.data())
    def set_home(self, data: st.DataObject) -> None:
        key = self.some_key(data)
        positions = dict.fromkeys(NAMES if data.draw(st.booleans()) else NAMES[:2], data.draw(st.floats(-1, 1)))
        start = self.seen
        already = self.on
        self.call(self.port.set_home, positions, key, powers_by=None if already else key)
        if not already:
            fresh = [f for f in self.leg.wire.frames[start:] if f.can_id & 0x780 == 0x300]
            assert {int.from_bytes(f.data[6:8], "little") for f in fresh} <= {0}, "home is set without torque"
            assert not any(self.leg.energised())

    @rule(ms=st.integers(0, 400))
    def pump(self, ms: int) -> None:
        self.call(self.port.pump, self.leg.now + ms * MS)

    @rule()
    def lower_and_off(self) -> None:
        self.call(self.port.lower_and_off)
        assert not any(self.leg.energised())

    @rule(reaction=st.sampled_from([Reaction.OFF_NOW, Reaction.STOP_THEN_OFF, Reaction.LOWER_THEN_OFF]))
    def stop(self, reaction: Reaction) -> None:
        self.call(self.port.stop, reaction, "for the test")
        assert not any(self.leg.energised())

    @rule(frame=st.builds(
        Frame, st.just(0), st.sampled_from([0x000, 0x201, 0x202, 0x303, 0x601, 0x603]),
        st.one_of(st.binary(max_size=8), st.sampled_from([b"\x0f\x00", b"\x06\x00", b"\x80\x00", bytes(8)])),
    ))  # fmt: skip
    def send(self, frame: Frame) -> None:
        self.call(self.leg.loop.send, frame)

    @rule()
    def phase(self) -> None:
        self.allowed = not self.allowed

    @precondition(lambda self: not self.closed)
    @rule(really=st.integers(0, 3))
    def close(self, really: int) -> None:
        if really == 3:
            self.call(self.port.close)
            self.closed, self.live = True, None
            assert not any(self.leg.energised())

    # ------------------------------------------------------------------ what breaks

    @precondition(lambda self: self.on)
    @rule(what=st.sampled_from(["fault", "reboot", "telemetry", "away", "supply"]), node=st.integers(0, 2))
    def break_something(self, what: str, node: int) -> None:
        leg, drive = self.leg, self.leg.nodes[node]
        if what == "fault":
            drive._power.fault(leg.now, 0x2310)
        elif what == "reboot":
            drive._power.reset(leg.now)
            drive._reset(leg.now, 0x9FFF)
        elif what == "telemetry":
            leg.link.drop = lambda frame: frame.can_id == 0x181 + node
        elif what == "away":
            leg.bus.run(leg.now + 60 * MS)
        else:
            leg.axes[node].supply_V = 70.0

    def repair(self) -> None:
        """By hand, with the power off: faults cleared, cables plugged in."""
        self.leg.link.drop = lambda frame: False
        for axis, node in zip(self.leg.axes, self.leg.nodes, strict=True):
            axis.supply_V = 48.0
            node._power._fault_reset(self.leg.now)

    @invariant()
    def nothing_is_energised_without_a_right(self) -> None:
        if hasattr(self, "leg") and not self.on:
            assert not any(self.leg.energised())


# Without shrinking, which would take longer than it is worth: a failure names its steps anyhow.
PHASES = (Phase.explicit, Phase.reuse, Phase.generate)
AnyOrder.TestCase.settings = settings(max_examples=20, stateful_step_count=25, deadline=None, phases=PHASES)
TestAnyOrder = pytest.mark.slow(AnyOrder.TestCase)
