"""One run: a case carried out on a fresh leg, and what the observer says to it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from math import cos, pi
from random import Random

from legtest.campaign.adapter import Endless
from legtest.campaign.fault import Fault
from legtest.campaign.faults_host import HostDied
from legtest.campaign.grammar import Case, Motion, draw
from legtest.campaign.leg import MS, CampaignLeg, described
from legtest.campaign.observer import StopTimes
from legtest.campaign.removal import Removal, removed
from legtest.canbus.candump import line
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import LegtestError, NotPermitted, PrecheckRefused
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.port import PrecheckStep
from legtest.safety.precheck import run_precheck
from legtest.safety.stretch import Stretch
from legtest.safety.unpowered import UNPOWERED, start

AFTER_NS = 400 * MS  # what the drives do alone when the host has ended
# Most of the bus time of the steps without power: runs with the whole pre-check have them.
LEFT_OUT = ("limits written and read back", "telemetry plausible", "host in time", "communication loss, unpowered")
SLOWEST_CYCLES = 26  # until every kind of telemetry has come
INJECTED = (KeyboardInterrupt, MemoryError, OSError, RuntimeError, ValueError, ZeroDivisionError)


@dataclass(slots=True)
class Outcome:
    """What a run ended in. fired: faults whose trigger came, with the instant in ns. wire: hash of all frames."""

    case: Case
    broken: tuple[str, ...] = ()
    stops: tuple[StopTimes, ...] = ()
    violations: tuple[tuple[int, str, str], ...] = ()
    reasons: tuple[str, ...] = ()
    fired: list[tuple[int, Fault]] = field(default_factory=list)
    ended: str = ""
    wire: str = ""
    events: tuple[str, ...] = ()

    @property
    def rules(self) -> tuple[str, ...]:
        """Names of the rules that gave a reason, each once."""
        return tuple(dict.fromkeys(reason.partition("|")[0] for reason in self.reasons))


class Script:
    """Drives one leg through a case, and lets the faults in as their triggers come."""

    def __init__(self, case: Case, leg: CampaignLeg) -> None:
        self.case, self.leg = case, leg
        self.fired: list[tuple[int, Fault]] = []
        self._counts: dict[str, int] = {}
        self._armed = {fault.kind: fault for fault in case.faults}
        self._frames = min((f.trigger.count for f in case.faults if f.trigger.edge == "frame"), default=0)
        leg.edge = self.edge

    def edge(self, name: str) -> None:
        """Something happened that faults may wait for."""
        count = self._counts[name] = self._counts.get(name, 0) + 1
        for fault in list(self._armed.values()):
            if fault.trigger.edge == name and count >= fault.trigger.count:
                del self._armed[fault.kind]
                self.leg.later(fault.trigger.after_ns, lambda fault=fault: self._fire(fault))  # type: ignore[misc]

    def _fire(self, fault: Fault) -> None:
        from legtest.campaign.fault import KINDS

        self.fired.append((self.leg.now, fault))
        KINDS[fault.kind].apply(self.leg, fault)

    # ------------------------------------------------------------------ the run
    def play(self) -> str:
        """From power-up to the end; how it ended."""
        leg, loop = self.leg, self.leg.loop
        leg.wait(50 * MS)
        self.edge("begin")
        key = self._permit()
        loop.settle()
        if self.case.home:
            loop.set_home({a.axis: b.encoder() for a, b in zip(leg.setup.axes, leg.bodies, strict=True)}, key)
        else:  # the drives' zero is the leg's already: this leg was put together so
            loop.state = loop.state._replace(homed=True)
        leg.observer.homed(True)
        loop.energise(key)
        for motion in self.case.motions:
            self._move(motion, key)
        if leg.forgetful:
            self._run(round(1.2e9 / leg.setup.period_ns))
        if self.case.end == "lower":
            loop.lower_and_off()
        else:
            loop.stop(Reaction.STOP_THEN_OFF if self.case.end == "stop" else Reaction.LOWER_THEN_OFF, "the end")
        self._again(key)
        return "ended"

    def _permit(self) -> Permit:
        """The whole pre-check, or its quick steps without power and a permit straight from the ledger."""
        leg, loop = self.leg, self.leg.loop
        if self.case.precheck == "whole":
            with self._stepping():
                return run_precheck(loop).permit
        with loop.ledger.precheck():
            loop.begin_anew()
            loop.configuring = True
            for name, step in UNPOWERED.items():
                self.edge("step")
                if name in LEFT_OUT:
                    continue
                step(loop)
                loop.raise_if_stopped()
            for node, writes in zip(leg.nodes, leg.setup.objects, strict=True):
                node.configure(writes, leg.now)
            start(loop)
            loop.run(SLOWEST_CYCLES)
            loop.raise_if_stopped()
            loop.configuring = False
            return leg.grant(leg.permit_ns)

    @contextmanager
    def _stepping(self) -> Iterator[None]:
        """Inside the block each step of the pre-check is an edge."""
        whole = dict(UNPOWERED)

        def noticed(step: Callable[[Loop], PrecheckStep]) -> Callable[[Loop], PrecheckStep]:
            def run(loop: Loop) -> PrecheckStep:
                self.edge("step")
                return step(loop)

            return run

        try:
            UNPOWERED.update({name: noticed(step) for name, step in whole.items()})
            self.leg.permitted = lambda: self.edge("step")
            yield
        finally:
            UNPOWERED.update(whole)

    def _move(self, motion: Motion, key: Permit) -> None:
        leg, loop = self.leg, self.leg.loop
        self._run(round(motion.pause_ms * MS / leg.setup.period_ns))
        stretch = self._stretch(motion)
        self.edge("motion")
        try:
            loop.play(stretch, key)
        except NotPermitted:
            if loop.powered:  # asked for too much, as some cases do on purpose: it stays where it is
                self._run(10)
            return
        self._run(round(stretch.duration_ns / leg.setup.period_ns) + 4)

    def _run(self, cycles: int) -> None:
        for _ in range(cycles):
            self.leg.loop.run(1)
            self.leg.asked()

    def _again(self, key: Permit) -> None:
        """After a stop the old key must be worth nothing; after a normal end it is."""
        loop = self.leg.loop
        if loop.reasons:
            with suppress(LegtestError):
                loop.energise(key)
            with suppress(LegtestError):
                loop.run(3)

    def _stretch(self, motion: Motion) -> Stretch:
        """From the demand in force, in joint space, inside the limits unless the case exaggerates."""
        leg, loop = self.leg, self.leg.loop
        start, period = loop.demand(), leg.setup.period_ns
        angles = leg.plan.joints([point.position_rad for point in start])
        ways, seconds = self._ways(motion, angles)
        rows = []
        count = max(2, round(seconds * 1e9 / period))
        for k in range(count + 1):
            share = (1 - cos(2 * pi * k / count)) / 2 if motion.shape == "sine" else (1 - cos(pi * k / count)) / 2
            joints = [way * share for way in ways]
            moved = [sum(c * q for c, q in zip(row, joints, strict=True)) for row in leg.setup.actuator_of_joint]
            rows.append(tuple(
                Point(p.position_rad + m, 0.0, cap * motion.cap_share * (leg.exaggerate if k == count else 1.0))
                for p, m, cap in zip(start, moved, self._caps(motion), strict=True)
            ))  # fmt: skip
        return Stretch(loop.rules.names, tuple(k * period for k in range(count + 1)), tuple(rows))

    def _caps(self, motion: Motion) -> Sequence[float]:
        if motion.shape == "touch":
            return [axis.contact_Nm for axis in self.leg.plan.axes]
        return self.leg.setup.torque_Nm

    def _ways(self, motion: Motion, angles: Sequence[float]) -> tuple[list[float], float]:
        """Way of each joint, and the time that keeps all within their share of the allowed speed."""
        leg, ways, slowest = self.leg, [], motion.seconds
        for joint, angle, way in zip(leg.plan.axes, angles, motion.way_rad, strict=True):
            if motion.shape == "hold":
                way = 0.0
            goal = min(max(angle + way, joint.low_rad + 0.06), joint.high_rad - 0.06)
            ways.append((goal - angle) * leg.exaggerate)
            peak = pi * abs(goal - angle) * (1.0 if motion.shape == "sine" else 0.5)
            allowed = min(joint.speed_rad_s, joint.contact_rad_s if motion.shape == "touch" else 99.0)
            slowest = max(slowest, peak / (allowed * motion.share))
        return ways, min(slowest, 1.5) if leg.exaggerate > 1.0 else slowest


def execute(case: Case, legs: Sequence[str], removal: Removal | None = None, *, digest: bool = False) -> Outcome:
    """Carry out a case. legs: paths of leg files. removal: what is taken out of the defence. digest: hash the wire."""
    with removed(removal):
        return _execute(case, legs, digest)


def _execute(case: Case, legs: Sequence[str], digest: bool) -> Outcome:
    leg = CampaignLeg(*described(legs[case.leg], case.rate_hz), Random(case.seed ^ 0x5EED))
    _put_in_place(leg, case)
    script = Script(case, leg)
    outcome = Outcome(case)
    try:
        outcome.ended = script.play()
    except PrecheckRefused as error:
        outcome.ended = f"refused: {error}"
    except Endless:
        leg.observer.broken.append("I0 the run does not end")
    except (LegtestError, HostDied, *INJECTED) as error:
        outcome.ended = f"{type(error).__name__}: {error}"
        _as_a_test_ends(leg, error)
    finally:
        for _ in range(AFTER_NS // (10 * MS)):
            leg.wait(10 * MS)
            leg.look()
        leg.observer.end(leg.now)
        for undo in leg.undo:
            undo()
    outcome.broken, outcome.stops = tuple(leg.observer.broken), tuple(leg.observer.stops)
    outcome.violations = tuple(leg.observer.violations)
    outcome.reasons = tuple(f"{r.rule}|{r}" for r in leg.loop.reasons)
    outcome.fired, outcome.events = script.fired, tuple(leg.events)
    if digest:
        outcome.wire = hashlib.sha256(b"".join(map(line, leg.wire))).hexdigest()
    if not case.faults and (leg.loop.reasons or outcome.ended != "ended"):
        outcome.broken += (f"I17 stopped without a fault: {outcome.ended}; {outcome.reasons[:2]}",)
    return outcome


def _as_a_test_ends(leg: CampaignLeg, error: BaseException) -> None:
    """What stands around a user's code does: stop, whatever the error was. A dead host does nothing."""
    if not isinstance(error, HostDied):
        with suppress(Endless, HostDied, *INJECTED):  # it may die in this very stop
            leg.loop.stop(Reaction.STOP_THEN_OFF, f"{type(error).__name__} in a test")


def _put_in_place(leg: CampaignLeg, case: Case) -> None:
    joints = [a.low_rad + case.start * (a.high_rad - a.low_rad) for a in leg.plan.axes]
    for body, row, axis in zip(leg.bodies, leg.setup.actuator_of_joint, leg.plan.axes, strict=True):
        body.position = body.rest = sum(c * q for c, q in zip(row, joints, strict=True))
        if sum(1 for c in row if c) == 1:
            body.stops = (axis.travel_low_rad, axis.travel_high_rad)


def run_seed(seed: int, legs: Sequence[str], removal: Removal | None = None, *, digest: bool = False) -> Outcome:
    """One seed, start to end."""
    axes = [len(described(path, 250.0)[0].joints) for path in legs]
    return execute(draw(seed, axes), legs, removal, digest=digest)
