"""What an attempt is, what a defence is, and how both are carried out before the judges."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from typing import Any
from unittest.mock import patch

from hazards_bench import RATES, Scene, as_it_is

from legtest.campaign.observer import StopTimes
from legtest.safety import monitor, precheck
from legtest.safety.loop import Loop
from legtest.safety.setup import Setup

Act = Callable[[Scene], None]


def nothing(scene: Scene) -> None:
    pass


@dataclass(frozen=True)
class Defence:
    """What stands between an attempt and harm, and how it is taken out.

    change: in the loop's set-up; patch: in the program, while the attempt runs; on: at the scene, before anything.
    """

    name: str
    change: Callable[[Setup], Setup] = as_it_is
    patch: Callable[[], AbstractContextManager[object]] = nullcontext
    on: Act = nothing

    def and_(self, other: Defence) -> Defence:
        """Both at once, where one would do without the other."""

        @contextmanager
        def both() -> Iterator[None]:
            with self.patch(), other.patch():
                yield

        def on(scene: Scene) -> None:
            self.on(scene)
            other.on(scene)

        return Defence(f"{self.name}; {other.name}", lambda setup: other.change(self.change(setup)), both, on)


@dataclass(frozen=True)
class Attempt:
    """One way in which something goes wrong, or somebody tries it.

    hazard: the heading under which docs/explanation/safety.md tells of it. says: what the host's words must match.
    breaks: what the judges must say, as a pattern, once the defence is out. stops: whether a stop is to be timed.
    scene: arguments of the Scene; change: what else is special about this bench.
    """

    name: str
    hazard: str
    act: Act
    says: str
    defence: Defence
    breaks: str
    stops: bool = True
    rates: tuple[float, ...] = RATES
    scene: dict[str, Any] = field(default_factory=dict)
    change: Callable[[Setup], Setup] = as_it_is


@dataclass(frozen=True)
class Outcome:
    """What came of an attempt; broken: invariants, as the judges say them; stops: the timed ones."""

    name: str
    rate_hz: float
    seed: int
    broken: tuple[str, ...]
    stops: tuple[StopTimes, ...]
    words: str
    on_at_end: bool


def carry_out(attempt: Attempt, rate_hz: float, seed: int, *, defended: bool = True) -> Outcome:
    """The whole attempt, from switching the drives on to the last look."""
    defence = Defence("all") if defended else attempt.defence
    with defence.patch():
        # Named too, or all attempts of one seed would strike at the same instant of a cycle.
        scene = Scene(
            rate_hz,
            f"{attempt.name} {seed}",
            change=lambda setup: defence.change(attempt.change(setup)),
            **attempt.scene,
        )
        defence.on(scene)
        attempt.act(scene)
        scene.aftermath()
        scene.close()
    for undo in scene.undo:
        undo()
    on = any(body.on for body in scene.bodies)
    timed = tuple(stop for stop in scene.observer.stops if stop.what in scene.told)
    return Outcome(attempt.name, rate_hz, seed, tuple(scene.broken), timed, scene.words, on)


# ---------------------------------------------------------------------- defences
def rules(*names: str) -> Defence:
    """Rules of the monitor: what they say is dropped before anybody reacts to it.

    The pre-check's self-test would notice and refuse, so it has to go as well.
    """

    @contextmanager
    def without() -> Iterator[None]:
        react, objected = monitor._react, Loop._object

        def deaf(now_ns: int, cycle: int, axes: Any, state: Any, used: Any, reasons: list[Any]) -> Any:
            reasons[:] = [reason for reason in reasons if reason.rule not in names]
            return react(now_ns, cycle, axes, state, used, reasons)

        def silenced(loop: Loop, reason: Any) -> None:
            if reason.rule not in names:
                objected(loop, reason)

        unheard = patch.object(monitor, "_react", deaf), patch.object(Loop, "_object", silenced)
        with step("monitor self-test").patch(), unheard[0], unheard[1]:
            yield

    return Defence("rule " + ", ".join(names), patch=without)


def option(index: int, value: int, name: str) -> Defence:
    """An object that the pre-check writes to every drive has another value."""

    def wrong(setup: Setup) -> Setup:
        objects = tuple(
            tuple(write._replace(value=value) if write.entry == index else write for write in writes)
            for writes in setup.objects
        )
        assert objects != setup.objects
        return replace(setup, objects=objects)

    return Defence(name, change=wrong)


OWN_REACTION = option(0x6007, 0, "the drives' own reaction to lost communication")


def step(*names: str) -> Defence:
    """Unpowered steps of the pre-check that are passed without being looked at."""

    def without() -> AbstractContextManager[object]:
        from legtest.safety.port import PrecheckStep

        blind = {name: (lambda loop, name=name: PrecheckStep(name, "not looked at", {})) for name in names}
        assert blind.keys() <= precheck.UNPOWERED.keys()
        return patch.dict(precheck.UNPOWERED, blind)

    return Defence("step " + ", ".join(names), patch=without)
