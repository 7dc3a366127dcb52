"""The steps that need a person, unpowered: what is asked, what the bus must show meanwhile, and what is kept of it.

Nothing here applies power or waits for a keyboard. A `Person` is told what to do and asked now and then whether it is
done; in between the bus is pumped, so that what the hands do is recorded as it happens. A terminal or a played person
stands behind it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple, Protocol

from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import feedback_decoders
from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import BusBusy, PrecheckRefused
from legtest.safety.port import Port, PrecheckStep
from legtest.safety.setup import Setup
from legtest.signoff.document import CARRIAGE, evidence_json, thinned
from legtest.signoff.evidence import (
    RELEASE_S,
    SILENT_S,
    HandMove,
    StopSeen,
    gone_below_V,
    wrong_moves,
    wrong_stop,
)
from legtest.signoff.reading import LONGEST, boot_id

SLICE_NS = 20_000_000
PATIENCE_NS = 300_000_000_000  # for one task
STOP_PATIENCE_NS = int(RELEASE_S * 1e9)
SILENT_NS = int(SILENT_S * 1e9)
YES = ("yes", "y")
# Where a positive joint angle takes the foot, by the leg frame: x forward, y left, z up.
LOW_END = {"abduction": "to its right", "hip": "to its front", "knee": "to its front"}
HIGH_END = {"abduction": "to its left", "hip": "to its back", "knee": "to its back"}


class Task(NamedTuple):
    """One thing to do or to answer. kind: "confirm", "press", "release", "low", "high", "choose", "name"."""

    kind: str
    text: str
    joint: str = ""


class Person(Protocol):
    """Who does the tasks. `answered` is asked between slices of bus time and never waits."""

    def begin(self, task: Task) -> None: ...
    def answered(self) -> str | None:
        """What was answered ("" = just done), None = not yet."""
        ...


class Walk:
    """One sign-off in the making. setup: of this leg on this bench, for what the frames mean.

    Every method raises PrecheckRefused when the bus or the person does not bear a step out.
    """

    def __init__(self, leg: LegDescription, bench: BenchDescription, setup: Setup, port: Port, person: Person) -> None:
        self._leg, self._bench, self._setup, self._port, self._person = leg, bench, setup, port, person
        self._seen = _Seen(setup)
        self.answers: dict[str, str] = {}
        self.steps: tuple[PrecheckStep, ...] = ()
        self.stop: tuple[StopSeen, ...] = ()
        self.moves: tuple[HandMove, ...] = ()

    def run(self) -> None:
        """All steps in order: isolate, scan, emergency stop, hand-moves, what is left to look at, name."""
        for key, text in BEFORE.items():
            self._confirm(key, text)
        self._scan()
        self._carriage()
        if self._provable():
            self._emergency_stop()
            self._scan()
        self._hand_moves()
        for key, text in AFTER.items():
            self._confirm(key, text)
        attended = self._ask(Task("choose", "Does somebody stay at the emergency stop for the whole run? (yes or no)"))
        self.answers["attended"] = attended.lower()
        self.answers["by"] = self._ask(Task("name", "Type your name to sign"))

    @property
    def grade(self) -> Grade:
        """What was seen suffices for this much."""
        if not self.stop:
            return Grade.UNPOWERED
        return Grade.FREE_MOTION if self.answers["carriage"] == "caught" else Grade.TORQUE_CAPPED

    def document(self, now: datetime, *, rehearsal: bool) -> dict[str, Any]:
        """The sign-off as a JSON object without its hash. now: with its zone."""
        return {
            "REHEARSAL": rehearsal,
            "by": self.answers["by"],
            "grade": self.grade.words,
            "attended": self.answers["attended"] in YES,
            "carriage": self.answers["carriage"],
            "leg_sha256": self._leg.sha256,
            "bench_sha256": self._bench.sha256,
            "stand_sha256": self._bench.stand.sha256,
            "serials": self._serials(),
            "boot_id": boot_id(),
            "made_at": now.isoformat(timespec="seconds"),
            "valid_until": (now.replace(microsecond=0) + LONGEST).isoformat(),
            "evidence": evidence_json([step[:2] for step in self.steps], self.moves, self.stop, self.answers),
        }

    def _serials(self) -> dict[str, int]:
        """Of the drives that answered, as the identity step found them."""
        found = next((step.found for step in self.steps if step.name == "identity"), "")
        pairs = [re.search(rf"\b{name} (\d+)", found) for name in self._leg.joint_names]
        return {name: int(pair[1]) if pair else -1 for name, pair in zip(self._leg.joint_names, pairs, strict=True)}

    # ------------------------------------------------------------------ the person
    def _ask(self, task: Task, each: Callable[[int], None] = lambda now: None) -> str:
        """Have a task done while the bus is pumped; `each` is called with the instant after every slice."""
        self._person.begin(task)
        end = self._port.now_ns() + PATIENCE_NS
        while True:
            self._pump()
            each(self._port.now_ns())
            answer = self._person.answered()
            if answer is not None:
                return answer.strip()
            if self._port.now_ns() > end:
                raise _refused(task.text, "no answer", f"one within {PATIENCE_NS // 10**9} s", "nobody is there")

    def _pump(self) -> None:
        try:
            self._seen.take(self._port.pump(self._port.now_ns() + SLICE_NS))
        except BusBusy:
            return  # nobody acknowledges on a bus whose drives have no supply

    def _confirm(self, key: str, text: str) -> None:
        answer = self._ask(Task("confirm", f"{text} (yes)"))
        if answer.lower() not in YES:
            raise _refused(text, answer or "nothing typed", "yes", "not done yet: do it, then begin again")
        self.answers[key] = answer.lower()

    def _carriage(self) -> None:
        answer = self._ask(Task("choose", f"How is the carriage held: {', '.join(CARRIAGE)}?")).lower()
        protection = self._bench.protection
        declared = {
            "caught": protection is not None and protection.catch is not None,
            "clamped": protection is not None and protection.brake_clamp_N is not None,
            "lowest": True,
        }
        if not declared.get(answer, False):
            known = ", ".join(word for word in CARRIAGE if declared[word])
            raise _refused("carriage", answer or "nothing typed", f"one of {known}", "the bench file has no other")
        self.answers["carriage"] = answer

    # ------------------------------------------------------------------ the bus
    def _scan(self) -> None:
        self.steps = self._port.scan()
        self._seen.forget()

    def _provable(self) -> bool:
        stop = self._bench.protection.emergency_stop if self._bench.protection else None
        return stop is not None and stop.cuts != "enable signal"

    def _emergency_stop(self) -> None:
        """Pressed and released, as every drive sees it; the bus decides when, not the person."""
        protection = self._bench.protection
        cuts = protection.emergency_stop.cuts if protection and protection.emergency_stop else ""
        lowest_V = gone_below_V(self._bench)
        begun = self._port.now_ns()
        logic = cuts == "all supplies"
        self._person.begin(Task("press", "Press the emergency stop, and leave it pressed"))
        if logic:
            self._until("emergency stop pressed", lambda now: self._seen.silent(now, SILENT_NS))
            lost = [max(0, t - begun) * 1e-9 for t in self._seen.heard_ns]
        else:
            self._until("emergency stop pressed", lambda now: self._seen.supply_below(lowest_V))
            lost = [(self._port.now_ns() - begun) * 1e-9] * len(self._seen.heard_ns)
        lowest = list(self._seen.lowest_V)
        self._seen.boot_ns = [None] * len(lost)
        self._person.begin(Task("release", "Release the emergency stop"))
        if logic:
            self._until("emergency stop released", lambda now: None not in self._seen.boot_ns)
            back = [((t or 0) - begun) * 1e-9 for t in self._seen.boot_ns]
        else:
            self._until("emergency stop released", lambda now: self._seen.supply_above(lowest_V))
            back = [(self._port.now_ns() - begun) * 1e-9] * len(lost)
        names = self._leg.joint_names
        self.stop = tuple(
            StopSeen(name, round(gone, 3), round(again, 3), None if logic else round(volts, 2))
            for name, gone, again, volts in zip(names, lost, back, lowest, strict=True)
        )
        wrong = list(wrong_stop(self._leg, cuts, self.stop, lowest_V))
        if wrong:
            raise _refused("emergency stop", "; ".join(wrong), f"it cuts the {cuts}", "another circuit than declared")

    def _until(self, step: str, done: Callable[[int], bool]) -> None:
        end = self._port.now_ns() + STOP_PATIENCE_NS
        while not done(self._port.now_ns()):
            if self._port.now_ns() > end:
                raise _refused(
                    step, "no change on the bus", f"every drive shows it within {RELEASE_S:g} s",
                    "the switch is not in the supply of these drives, or cuts something else than the bench file says",
                )  # fmt: skip
            self._pump()

    def _hand_moves(self) -> None:
        self.moves = tuple(self._hand_move(name) for name in self._leg.joint_names)
        wrong = list(wrong_moves(self._leg, self.moves))
        if wrong:
            raise _refused(
                "hand-moves", "; ".join(wrong), "each drive reports its own joint, with sign and range of the leg file",
                "see each joint; correct the wiring or the leg file, then begin again",
            )  # fmt: skip

    def _hand_move(self, joint: str) -> HandMove:
        """From the low to the high end. What is recorded begins when the low end is reached."""
        others = [name for name in self._leg.joint_names if name != joint]
        still = f"Hold {' and '.join(others)} still. " if others else ""
        low, high = LOW_END[joint], HIGH_END[joint]
        self._ask(Task("low", f"{still}Move the {joint} by hand until the leg's foot has gone {low} end stop", joint))
        t_ns: list[int] = []
        rows: list[Sequence[float]] = []

        def keep(now: int) -> None:
            angles = self._seen.joints_rad()
            if angles is not None:
                t_ns.append(now)
                rows.append(angles)

        text = f"{still}Move the {joint} in one slow movement until the foot has gone {high} end stop"
        self._ask(Task("high", text, joint), keep)
        start = t_ns[0] if t_ns else 0
        tracks = {name: tuple(row[i] for row in rows) for i, name in enumerate(self._leg.joint_names)}
        return thinned(HandMove(joint, tuple((t - start) * 1e-9 for t in t_ns), tracks))


class _Seen:
    """What the frames say of each axis, as far as the walk needs it."""

    def __init__(self, setup: Setup) -> None:
        count = len(setup.axes)
        self._setup = setup
        self._feedback = {
            can_id: (index, decoder) for index, axis in enumerate(setup.axes)
            for can_id, decoder in feedback_decoders(axis).items()
        }  # fmt: skip
        self._beats = {axis.heartbeat_id: index for index, axis in enumerate(setup.axes)}
        self.heard_ns = [0] * count
        self.boot_ns: list[int | None] = [None] * count
        self.lowest_V = [float("inf")] * count
        self._supply: list[float | None] = [None] * count
        self._position: list[float | None] = [None] * count

    def forget(self) -> None:
        """Begin anew: what was seen before says nothing about now."""
        self._position = [None] * len(self._position)
        self._supply = [None] * len(self._supply)

    def take(self, frames: Sequence[Frame]) -> None:
        for frame in frames:
            if frame.flags & SENT:
                continue
            if frame.can_id in self._beats:
                index = self._beats[frame.can_id]
                self.heard_ns[index] = frame.t_ns
                if frame.data == b"\0":
                    self.boot_ns[index] = frame.t_ns
            elif frame.can_id in self._feedback:
                index, decoder = self._feedback[frame.can_id]
                self.heard_ns[index] = frame.t_ns
                if len(frame.data) == decoder.length:
                    self._keep(index, dict(zip(decoder.roles, decoder.values(frame.data), strict=True)))

    def _keep(self, index: int, values: Mapping[str, float]) -> None:
        if "position" in values:
            self._position[index] = values["position"]
        if "supply" in values:
            self._supply[index] = values["supply"]
            self.lowest_V[index] = min(self.lowest_V[index], values["supply"])

    def silent(self, now_ns: int, span_ns: int) -> bool:
        return all(now_ns - heard > span_ns for heard in self.heard_ns)

    def supply_below(self, volts: float) -> bool:
        return all(seen is not None and seen < volts for seen in self._supply)

    def supply_above(self, volts: float) -> bool:
        return all(seen is not None and seen >= volts for seen in self._supply)

    def joints_rad(self) -> tuple[float, ...] | None:
        """Joint angles by the coupling, None until every axis has reported."""
        actuators = [position for position in self._position if position is not None]
        if len(actuators) < len(self._position):
            return None
        return tuple(
            sum(factor * angle for factor, angle in zip(row, actuators, strict=True))
            for row in self._setup.joint_of_actuator
        )


def _refused(step: str, value: str, expected: str, cause: str) -> PrecheckRefused:
    return PrecheckRefused(step, value, expected, cause, False)


BEFORE: Mapping[str, str] = {
    "isolated": "The power stages are off, nothing hangs from the foot, springs and pins are secured, motors are cool",
    "clear": "Nobody else can switch the bench on, and hands are out of the pinch points of stand and leg",
}
AFTER: Mapping[str, str] = {
    "pins": "Pins and clamps that must be out are out, tools and loose things are gone, no cable can be caught",
    "area": "Everybody is outside the leg's reach, and the emergency stop is within reach of your hand",
}
