"""Attempts by the host: its process, its clocks, its disk, and mistakes in its own code."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any
from unittest.mock import patch

from hazards_attempt import OWN_REACTION, Attempt, Defence, rules
from hazards_bench import MS, S, Scene
from hazards_bus import NOT_STOPPED, struck

from legtest.canbus.wiremap import Reaction
from legtest.safety import cycle
from legtest.safety.loop import Loop


def long_pause(scene: Scene) -> None:
    """Collecting garbage, or a call in C, for longer than the drives wait: 165 ms."""
    scene.link.stall_ns = scene.now + 165 * MS
    scene.hampered(165 * MS)
    scene.violates("host away for long", "drives")


def short_pause(scene: Scene) -> None:
    """Shorter than the drives wait, longer than any leg may go unwatched."""
    span = (scene.plan.age_cycles + 1) * scene.period_ns + 5 * MS
    scene.link.stall_ns = scene.now + span
    scene.hampered(span)
    scene.bus.at(scene.now + span, lambda t_ns: scene.violates("host was away", "stop"))


def suspended(scene: Scene) -> None:
    """The computer sleeps for ten seconds, and its monotonic clock with it: nothing seems to have happened."""
    link, lost = scene.link, 10 * S
    now_ns, pump = link.now_ns, link.pump
    scene.hampered(lost)
    scene.violates("suspended", "drives")

    def asleep(until_ns: int) -> list[Any]:
        del link.pump
        scene.bus.run(scene.now + lost)
        scene.observer.violation(scene.now, "woken up", "stop", 4 * scene.plan.stop_ns)
        link.now_ns = lambda: now_ns() - lost  # type: ignore[method-assign]
        link.pump = lambda until_ns: pump(until_ns + lost)  # type: ignore[method-assign]
        return []

    link.pump = asleep  # type: ignore[method-assign]


class WallClock:
    """The computer's clock as this process reads it; somebody sets it."""

    def __init__(self) -> None:
        self.set_s = 0

    def patched(self) -> ExitStack:
        stack = ExitStack()
        for name, value in (("time", lambda: 1e9 + self.set_s), ("time_ns", lambda: 10**18 + self.set_s * S)):
            stack.enter_context(patch.object(time, name, value))
        return stack


def clock_set(scene: Scene) -> None:
    """Somebody sets the computer's clock by an hour, forwards and back, in the middle of a motion."""
    wires = []
    for jump_s in (0, 3600, -3600):
        twin = scene if jump_s == 0 else Scene(scene.rate_hz, scene.seed)
        clock = WallClock()
        if scene.dated_by_wall_clock:
            by_wall_clock(twin, clock)
        with clock.patched():
            twin.in_motion()
            twin.strike(lambda t_ns, clock=clock, jump_s=jump_s: setattr(clock, "set_s", jump_s))  # type: ignore[misc]
            twin.run(0.6)
            twin.attempt(twin.port.lower_and_off)
        wires.append(list(twin.wire))
        twin.key = None
    if wires[0] != wires[1] or wires[0] != wires[2]:
        scene.extra.append("the wire is another one after the clock was set")


def by_wall_clock(scene: Scene, clock: WallClock) -> None:
    """A link that dates by the wall clock, as it must not."""
    now_ns = scene.link.now_ns
    scene.link.now_ns = lambda: now_ns() + max(0, clock.set_s) * S  # type: ignore[method-assign]


def dated_by_wall_clock(scene: Scene) -> None:
    scene.dated_by_wall_clock = True


# ---------------------------------------------------------------------- its own code
def disk_full(scene: Scene) -> None:
    scene.log.fail = OSError(28, "no space left on device")
    scene.violates("nothing is recorded", "lower", samples=2)


def encoder_raises(scene: Scene) -> None:
    scene.break_encoders()
    scene.violates("an encoder raises", "stop", samples=1)


def monitor_raises(passes: int) -> Callable[[Scene], None]:
    def blow(scene: Scene) -> None:
        step, left = cycle.step, [passes]
        scene.violates("the monitor raises", "stop", samples=1)

        def broken(*args: Any) -> Any:
            left[0] -= 1
            if left[0] >= 0:
                raise ZeroDivisionError("a mistake in the monitor")
            cycle.step = step
            return step(*args)

        cycle.step = broken
        scene.undo.append(lambda: setattr(cycle, "step", step))

    return blow


def blind_monitor(scene: Scene) -> None:
    """It fails in every pass from now on: our heartbeat must end, so that the drives act."""
    monitor_raises(10**6)(scene)
    scene.observer.silence(scene.now + 3 * scene.period_ns)


def swallowed() -> Any:
    return patch.object(Loop, "_fail", lambda loop, error: None)


def host_says_no(scene: Scene) -> None:
    """What stands for the host answers that it is not well, as it does when its process hangs."""
    scene.host_answer = "no beat for 100 ms"
    scene.violates("the host is not well", "stop", samples=1)


def forgets(scene: Scene) -> None:
    """A motion ends and nothing more is asked for: the leg must not stand energised for ever."""
    scene.powered()
    scene.run(3.0)
    if any(body.on for body in scene.bodies):
        scene.extra.append("still energised three seconds after the last motion")
    scene.port.stop(Reaction.STOP_THEN_OFF, "the attempt is over")
    scene.key = None


def for_ever(scene: Scene) -> None:
    go_on = scene.loop._set_points

    def endless(*instants_ns: int) -> None:
        if scene.loop._player is not None:
            scene.loop._player.void_ns = 10**18
        go_on(*instants_ns)

    scene.loop._set_points = endless  # type: ignore[method-assign]


HOST, CODE = "The host computer", "Mistakes in the program"
ATTEMPTS: tuple[Attempt, ...] = (
    Attempt("host-away-165-ms", HOST, struck(long_pause), "deadline|drive|emergency", OWN_REACTION, "I5|I7"),
    Attempt("host-away-a-few-cycles", HOST, struck(short_pause), "deadline",
            rules("deadline", "telemetry age"), NOT_STOPPED),
    Attempt("computer-suspended", HOST, struck(suspended), "emergency|drive", OWN_REACTION, "I5|I7"),
    Attempt("clock-set", HOST, clock_set, "", Defence("no clock but the link's", on=dated_by_wall_clock),
            "another one", stops=False),
    Attempt("disk-full", HOST, struck(disk_full, 3.0), "RECORD IS BAD", rules("record"), "I[35] "),
    Attempt("encoder-raises", CODE, struck(encoder_raises), "monitor, host",
            Defence("exceptions stop", patch=swallowed), NOT_STOPPED),
    Attempt("monitor-raises", CODE, struck(monitor_raises(1)), "monitor, host",
            Defence("exceptions stop", patch=swallowed), NOT_STOPPED),
    Attempt("monitor-fails-for-good", CODE, struck(blind_monitor), "heartbeat has ended",
            Defence("exceptions stop", patch=swallowed), "I[458]"),
    Attempt("host-not-well", HOST, struck(host_says_no), "host, host", rules("host"), NOT_STOPPED),
    Attempt("nobody-asks", HOST, forgets, "no further motion", Defence("the end of a hold", on=for_ever),
            "still energised", stops=False),
)  # fmt: skip
