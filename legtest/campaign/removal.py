"""Taking one defence out of the unchanged code, for as long as a run lasts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

RULES = (
    "deadline", "permit", "decode", "foreign master", "boot-up", "emergency", "position jump", "telemetry age",
    "drive fault", "drive state", "torque", "following error", "supply", "temperature", "speed", "position", "stop",
    "power", "temperature rate", "stuck telemetry", "encoder slip", "torque without motion", "bus errors", "adapter",
    "monitor", "host", "record",
)  # fmt: skip
DEFENCES = ("gate: set-points", "ledger: end of a permit", "heartbeat after the pass", "stop: repetition")

Patch = Callable[[Any, str, Any], None]


@dataclass(frozen=True, slots=True)
class Removal:
    """what: a rule or another defence; without: rules switched off as well, because they would mask it."""

    what: str
    without: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.what + (f" (without {', '.join(self.without)})" if self.without else "")


@contextmanager
def removed(removal: Removal | None) -> Iterator[None]:
    """Inside the block the defence is gone."""
    if removal is None:
        yield
        return
    undo: list[tuple[Any, str, Any]] = []

    def patch(owner: Any, name: str, value: Any) -> None:
        undo.append((owner, name, getattr(owner, name)))
        setattr(owner, name, value)

    try:
        gone = {name for name in (removal.what, *removal.without) if name in RULES}
        if gone:
            _without_rules(gone, patch)
        if removal.what in DEFENCES:
            _without_defence(removal.what, patch)
        yield
    finally:
        for owner, name, value in reversed(undo):
            setattr(owner, name, value)


def _without_rules(gone: set[str], patch: Patch) -> None:
    from legtest.safety import monitor, unpowered
    from legtest.safety.loop import Loop

    react, objects = monitor._react, Loop._object

    def blind(now_ns: int, cycle: int, axes: Any, state: Any, rules: Any, reasons: Any) -> Any:
        if "stop" in gone:  # it is given in there: a stop that is waited for without end never has to be confirmed
            state = state._replace(until_ns=1 << 62, slowest=-1.0)
        return react(now_ns, cycle, axes, state, rules, [r for r in reasons if r.rule not in gone])

    def deaf(self: Any, reason: Any) -> None:
        if reason.rule not in gone:
            objects(self, reason)

    patch(monitor, "_react", blind)
    patch(Loop, "_object", deaf)
    patch(unpowered, "untripped_rules", lambda *args: [])  # which would notice at once, and refuse


def _without_defence(what: str, patch: Patch) -> None:
    from legtest.safety import loop
    from legtest.safety.cycle import Cycle
    from legtest.safety.gate import HEARTBEAT, Gate
    from legtest.safety.permit import Ledger

    issue, pass_, push_out = Ledger.issue, Cycle._pass, Cycle._push_out

    def endless(self: Any, grant: Any, now_ns: int) -> Any:
        key = issue(self, grant, now_ns)
        self._grants[key.token] = grant._replace(end_ns=grant.end_ns + 10**15)
        return key

    def beat_first(self: Any) -> None:
        if self.beating and self._next >= self.beat_ns + self.setup.heartbeat_ns:
            self._transmit(HEARTBEAT)
            self.beat_ns = self._next
        pass_(self)

    def say_once(self: Any, frames: Any) -> None:
        said = self.__dict__.setdefault("_campaign_said", set())
        once = (id(self._rest), self.state.reaction)  # of this time under power
        if frames and once not in said:
            said.add(once)
            push_out(self, frames)

    if what == "gate: set-points":
        patch(Gate, "_setpoint_refusal", lambda *args: "")
        patch(loop, "check", lambda *args: None)
    elif what == "ledger: end of a permit":
        patch(Ledger, "issue", endless)
    elif what == "heartbeat after the pass":
        patch(Cycle, "_pass", beat_first)
    elif what == "stop: repetition":
        patch(Cycle, "_push_out", say_once)
