"""The steps of the pre-check with power: one axis at a time, little torque, little motion, two seconds at most."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sin

from legtest.canbus.wiremap import Reaction
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckStep
from legtest.safety.refuse import refuse
from legtest.safety.state import AxisState
from legtest.safety.stretch import Stretch
from legtest.safety.unpowered import start

TRIAL_RAD = 0.02
STRAY_RAD = 0.015  # of an axis that is not asked to move; 0.0004 was the most of two healthy simulated legs
TRIAL_S = 0.6
STOP_SPEED = 0.5  # rad/s, from which the quick stop is measured
STOP_RUN_S = 0.12


def _sweep(loop: Loop, axis: int, offsets: list[float]) -> Stretch:
    """A table, one row a period, that moves one axis by offsets from where it is."""
    here = loop.demand()
    rows = tuple(
        tuple(
            p._replace(position_rad=p.position_rad + offset) if i == axis else p for i, p in enumerate(here)
        )
        for offset in offsets
    )  # fmt: skip
    return Stretch(loop.rules.names, tuple(i * loop.setup.period_ns for i in range(len(rows))), rows)


def trial(loop: Loop, axis: int, key: Permit) -> PrecheckStep:
    """A small motion to and fro: it goes the right way, as far as asked, and nothing else goes with it."""
    name = loop.rules.names[axis]
    cycles = round(TRIAL_S * 1e9 / loop.setup.period_ns)
    before = loop.state.axes
    loop.play(_sweep(loop, axis, [TRIAL_RAD * sin(2 * pi * i / cycles) for i in range(cycles + 1)]), key)
    track = []
    for _ in range(cycles + 6):
        loop.run(1)
        track.append(loop.state.axes)
        _only_this_moves(loop, axis, before)
    moved = [row[axis].position - before[axis].position for row in track]
    third = len(moved) // 2
    gain = (max(moved[:third], default=0.0) - min(moved[third:], default=0.0)) / (2 * TRIAL_RAD)
    if not 0.5 <= gain <= 1.5:
        refuse(
            f"trial of {name}", f"moved {gain:+.2f} times what was asked", "0.5..1.5 times, same sign",
            "wrong sign, wrong scale, or a blocked joint", powered=True,
        )  # fmt: skip
    return PrecheckStep(f"trial of {name}", f"gain {gain:.2f}", {"gain": gain})


def _only_this_moves(loop: Loop, axis: int, start: Sequence[AxisState]) -> None:
    """Looked at in every cycle: a motor that is not under control must not turn on until the end of the trial."""
    for other, (now, before) in enumerate(zip(loop.state.axes, start, strict=True)):
        stray = abs(now.position - before.position)
        if other != axis and stray > STRAY_RAD:
            refuse(
                f"trial of {loop.rules.names[axis]}", f"{loop.rules.names[other]} moved {stray:.3f} rad",
                "only the driven axis moves", "swapped node ids or cables", powered=True,
            )  # fmt: skip


def loss_energised(loop: Loop, axis: int, _key: Permit) -> PrecheckStep:
    """No heartbeat: the drive must leave operation enabled by itself."""
    step, setup = f"communication loss of {loop.rules.names[axis]}, energised", loop.setup
    if setup.arm[axis] is None:
        return PrecheckStep(
            step, "not tried", {}, f"it stops by {setup.supply_switch} alone, which the sign-off proves"
        )
    loop.run(2 * setup.heartbeat_ns // setup.period_ns + 1)
    before = loop.state.axes[axis].position
    loop.state = loop.state._replace(proving=(axis,))
    loop.beating = False
    begun = loop.beat_ns  # the slot of the last heartbeat
    most = setup.loss_ns + loop.rules.confirm_ns(Reaction.STOP_THEN_OFF, 0.0) + setup.heartbeat_ns
    while setup.axes[axis].is_energised.holds(loop.state.axes[axis].status) and loop.link.now_ns() - begun < most:
        loop.run(1)
    took = loop.link.now_ns() - begun
    still = setup.axes[axis].is_energised.holds(loop.state.axes[axis].status)
    moved = abs(loop.state.axes[axis].position - before)
    loop.stop(Reaction.OFF_NOW, "end of the communication loss step")
    start(loop)
    loop.state = loop.state._replace(proving=())
    if still or moved > TRIAL_RAD:
        refuse(
            step, f"after {took / 1e6:.0f} ms {'still energised' if still else f'moved {moved:.3f} rad'}",
            f"off within {most / 1e6:.0f} ms", "the drive does not act on a lost heartbeat",
            powered=True,
        )  # fmt: skip
    return PrecheckStep(step, f"off after {took / 1e6:.1f} ms", {"loss_s": took * 1e-9})


def quick_stop(loop: Loop, axis: int, key: Permit) -> PrecheckStep:
    """Stop from a small speed; an unhomed leg may rest against a stop, so the other direction is tried as well."""
    name, period_s = loop.rules.names[axis], loop.rules.period_s
    cycles = round(STOP_RUN_S / period_s)
    speed = 0.0
    for sense in (1.0, -1.0):
        loop.play(_sweep(loop, axis, [sense * STOP_SPEED * i * period_s for i in range(cycles + 1)]), key)
        loop.run(cycles)
        speed = abs(loop.state.axes[axis].velocity)
        if speed > 0.5 * STOP_SPEED:
            break
        back = loop.state.axes[axis].position - loop.demand()[axis].position_rad
        loop.play(_sweep(loop, axis, [back * i / cycles for i in range(cycles + 1)]), key)
        loop.run(2 * cycles)
    begun = loop.link.now_ns()
    loop.stop(Reaction.STOP_THEN_OFF, "quick stop measured by the pre-check")
    took = (loop.link.now_ns() - begun) * 1e-9
    if speed < 0.5 * STOP_SPEED or loop.reasons:
        why = "; ".join(map(str, loop.reasons)) or "it hardly moved"
        refuse(
            f"quick stop of {name}", f"from {speed:.2f} rad/s: {why}",
            f"a stop from {STOP_SPEED:g} rad/s, confirmed in time",
            "a blocked joint, or a drive that ignores the stop", powered=True,
        )  # fmt: skip
    found = f"from {speed:.2f} rad/s, off after {took * 1e3:.0f} ms"
    return PrecheckStep(f"quick stop of {name}", found, {"stop_s": took})
