"""Telling unpowered drives where they are.

A drive takes its position in its homing mode, which needs it enabled: done under the monitor, every torque cap zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from legtest.canbus.wiremap import HomeSetting, ObjectWrite, Reaction
from legtest.errors import DriveError, NotPermitted
from legtest.safety.permit import Permit

if TYPE_CHECKING:
    from legtest.safety.loop import Loop

HOME_NS = 1_500_000_000  # for every drive to confirm its home
CONFIRM_CYCLES = 2
TAKEN_RAD = 0.05  # a limp leg may sag a little between the telling and the look


def set_home(loop: Loop, positions_rad: Mapping[str, float], key: Permit) -> None:
    """Tell each drive its actuator angle; see Port.set_home. Raises NotPermitted, DriveError, LegStopped."""
    grant = loop.ledger.grant(key, loop.link.now_ns())
    if loop.powered or grant.kind != "motion" or set(positions_rad) != set(loop.rules.names):
        raise NotPermitted("home is set for all axes at once, unpowered, under a motion permit")
    homes = []
    for axis in loop.setup.axes:
        if axis.home is None:
            raise NotPermitted(f"{axis.axis} cannot be told its position")
        homes.append(axis.home)
    loop.state = loop.state._replace(homed=False)
    loop.configuring = True
    try:
        _prepare(loop, positions_rad, homes)
        loop.power_up(grant._replace(torque_Nm=(0.0,) * len(grant.torque_Nm)), homing=True)
        _take_home(loop, homes)
        loop.power_off()
    finally:
        _leave(loop, homes)
    loop.raise_if_stopped()
    loop.run(2)
    for seen, name in zip(loop.state.axes, loop.rules.names, strict=True):
        if loop.state.cycle - seen.sampled > 1 or abs(seen.position - positions_rad[name]) > TAKEN_RAD:
            loop.ledger.revoke(f"{name} did not take its home")
            raise DriveError(f"{name} was told {positions_rad[name]:+.3f} rad and says {seen.position:+.3f} rad")
    loop.state = loop.state._replace(homed=True)


def _prepare(loop: Loop, positions_rad: Mapping[str, float], homes: Sequence[HomeSetting]) -> None:
    for index, (axis, home) in enumerate(zip(loop.setup.axes, homes, strict=True)):
        raw = round(positions_rad[axis.axis] / axis.position_signal().scale)
        offset = ObjectWrite(home.position_index, 0, home.position_size, raw, "home offset")
        for write in (*home.before, offset):
            loop.access.write(index, write)


def _take_home(loop: Loop, homes: Sequence[HomeSetting]) -> None:
    """Start homing and wait until each drive confirms it."""
    end = loop.link.now_ns() + HOME_NS
    waiting = list(homes)  # all at first: what a status says may be left from the last time
    while waiting:
        if loop.link.now_ns() > end or not loop.powered:  # nothing holds for ever: it may have been switched off
            raise DriveError("a drive did not confirm its home position")
        for frame in (frame for home in waiting for frame in home.start):
            loop.send(frame)
        loop.run(CONFIRM_CYCLES)
        waiting = [h for h, a in zip(homes, loop.state.axes, strict=True) if not h.done.holds(a.status)]


def _leave(loop: Loop, homes: Sequence[HomeSetting]) -> None:
    """Off, and the drives back in the mode that the pre-check gave them; if they are not, it has to pass again."""
    try:
        loop.stop(Reaction.STOP_THEN_OFF, "setting home was cut short")
        for index, home in enumerate(homes):
            for write in home.after:
                loop.access.write(index, write)
    except BaseException as error:
        loop.ledger.revoke(f"a drive may have been left in its homing mode: {error}")
        raise
    finally:
        loop.configuring = False
