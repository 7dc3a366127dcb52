"""The person of a rehearsal: does what a sign-off asks for, at the simulated leg."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from legtest.safety.direct import DirectPort
    from legtest.safety.setup import Setup
    from legtest.signoff.walk import Task
    from legtest.simulation.rig import Rig

NAME = "simulated person"


class PlayedPerson:
    """Two hands and a mouth. logic: the emergency stop cuts the drives' own supply as well.

    answers: to questions, by the beginning of their text, in place of "yes".
    """

    def __init__(
        self, rig: Rig, *, logic: bool, carriage: str = "caught", answers: Mapping[str, str] | None = None
    ) -> None:
        self._rig, self._logic = rig, logic
        self._answers = {"How is the carriage held": carriage, "Type your name": NAME} | dict(answers or {})
        self._going: Callable[[int], bool] | None = None
        self._answer: str | None = None

    def begin(self, task: Task) -> None:
        """Start on a task; the bus has to be pumped for it to go on."""
        self._answer = None
        if task.kind in ("press", "release"):
            self._rig.emergency_stop(pressed=task.kind == "press", logic=self._logic)
        elif task.kind in ("low", "high"):
            self._going = self._rig.person.lead(task.joint, task.kind, self._rig.bus.now_ns)
        else:
            given = [answer for text, answer in self._answers.items() if task.text.startswith(text)]
            self._answer = given[0] if given else "yes"

    def answered(self) -> str | None:
        """What was answered, None = the hands are still busy."""
        if self._going is None:
            return self._answer
        if not self._going(self._rig.bus.now_ns):
            return None
        self._going = None
        self._rig.person.let_go()
        return ""


def unpowered_port(rig: Rig, setup: Setup) -> DirectPort:
    """A port onto a simulated leg that never moves it."""
    from legtest.safety.direct import DirectPort
    from legtest.safety.loop import Loop
    from legtest.wiring import NullLog

    return DirectPort(Loop(rig.link, setup, NullLog(), lambda _: None), lambda: "this port only looks")
