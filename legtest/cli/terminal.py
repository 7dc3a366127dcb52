"""A person at a terminal: told what to do, asked without waiting, so that the bus goes on meanwhile."""

from __future__ import annotations

import select
import sys
from typing import TYPE_CHECKING

import click

from legtest.errors import UsageError

if TYPE_CHECKING:
    from legtest.signoff.walk import Task

_LONGEST = 200


def require_terminal(command: str) -> None:
    """Raises UsageError unless a person can read and type: nobody else may do what this asks for."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(f"{command} is walked by a person at a terminal; nothing may stand in for their keyboard")


class TerminalPerson:
    """Whoever sits there."""

    def begin(self, task: Task) -> None:
        """Say what is to be done. What was typed before it was said is no answer to it."""
        while self._ready():
            self._line()
        hint = {"low": " [Enter when there]", "high": " [Enter when there]"}.get(task.kind, "")
        click.echo(f"\n{task.text}{hint}{':' if task.kind in ('confirm', 'choose', 'name') else ''}")

    def answered(self) -> str | None:
        """The line that was typed, None = none yet. Raises UsageError when the terminal is gone."""
        return self._line() if self._ready() else None

    def _ready(self) -> bool:
        return bool(select.select([sys.stdin], [], [], 0)[0])

    def _line(self) -> str:
        line = sys.stdin.readline(_LONGEST)
        if not line:
            raise UsageError("the terminal was closed; nothing is signed off")
        return "".join(c for c in line.strip() if c.isprintable())
