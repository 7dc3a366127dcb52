"""A monitor under test, fed frame by frame.

Frames are packed here from the maps of the leg's PDOs (statusword u16, position i32, torque i16; see
tests/references/canopen), not with the project's encoders.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from bench_leg import make_setup

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.safety.monitor import Reason, initial, step
from legtest.safety.permit import Grant
from legtest.safety.rules import Rules, rules_of

SETUP = make_setup()
RULES = rules_of(SETUP)
T = SETUP.period_ns
COUNTS = 65536 / math.tau  # per radian, by the leg file
SIGNS = (1, 1, -1)  # knee motor mounted the other way round, by the leg file
# Statuswords of CiA 402 (xxxx xxxx x0xx xxxx tables, see tests/references/canopen/cia402.yaml).
ENABLED, OFF, SWITCHED_ON, QUICK_STOP, FAULT_REACTION, FAULT = 0x0637, 0x0250, 0x0633, 0x0617, 0x023F, 0x0238
ALL = Grant("motion", (0, 1, 2), SETUP.torque_Nm, 10**15)
OFF_NOW, STOP, LOWER = Reaction.OFF_NOW, Reaction.STOP_THEN_OFF, Reaction.LOWER_THEN_OFF
REST = (0.0, 0.0, -0.8)


def feedback(axis: int, position: float, torque: float = 0.0, status: int = ENABLED) -> Frame:
    raw = round(position * COUNTS * SIGNS[axis])
    return Frame(0, 0x181 + axis, struct.pack("<Hih", status, raw, round(torque / 6.0 * 1000 * SIGNS[axis])))


def supply(axis: int, volts: float, velocity: float = 0.0) -> Frame:
    raw = round(velocity * COUNTS * SIGNS[axis])
    return Frame(0, 0x281 + axis, struct.pack("<iI", raw, round(volts * 1000)))


def temperature(axis: int, celsius: float) -> Frame:
    return Frame(0, 0x381 + axis, struct.pack("<hH", round(celsius * 10), 0))


class Watch:
    """A monitor under test and its history; `pass_` is one control cycle with every axis' answer."""

    def __init__(
        self, grant: Grant | None = ALL, homed: bool = False, positions: Sequence[float] = REST, rules: Rules = RULES
    ) -> None:
        self.now, self.rules = 0, rules
        self.positions = list(positions)
        self.status = [ENABLED] * 3
        self.torque = [0.0] * 3
        self.state = initial(3, 0)
        self.pass_()
        self.pass_()
        demand = tuple(Point(p, 0.0, 9.0) for p in self.positions)
        self.state = self.state._replace(grant=grant, enabled=grant is not None, homed=homed, demand=demand)

    def pass_(self, *extra: Frame, silent: Sequence[int] = (), span_ns: int = T) -> tuple[Reason, ...]:
        frames = [feedback(i, self.positions[i], self.torque[i], self.status[i]) for i in range(3) if i not in silent]
        self.now += span_ns
        self.state, self.sent, reasons = step(self.now, [*frames, *extra], self.state, self.rules)
        return reasons

    def passes(self, count: int, *extra: Frame, silent: Sequence[int] = ()) -> tuple[Reason, ...]:
        """So many passes, or until something is found."""
        for _ in range(count):
            reasons = self.pass_(*extra, silent=silent)
            if reasons:
                return reasons
        return ()

    def demand(self, *points: Point) -> None:
        self.state = self.state._replace(demand=points)


def only(reasons: Sequence[Reason]) -> tuple[str, str, Reaction]:
    assert len(reasons) == 1, [str(reason) for reason in reasons]
    return reasons[0].rule, reasons[0].subject, reasons[0].reaction
