"""What a host owes the leg: who may be energised, which stops are due and by when, and whether they came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from legtest.campaign.observer.oracle import STATE_MASK, Oracle
from legtest.campaign.observer.permission import Permission
from legtest.campaign.observer.plan import FOLLOWING_NS, OFF_GRACE_NS, WirePlan
from legtest.campaign.observer.stops import Expected, Stop, StopTimes

STAGE_ON = (0x27, 0x07, 0x0F)  # operation enabled, quick stop active, fault reaction active (CiA 402)
NEVER = 1 << 62
LET_DOWN_RAD = 0.15
MOST_LINES = 6  # of one invariant: the rest says no more
Obeys = Literal["all", "off", "silence", "nothing"]


class Axis:
    """One drive as the observer knows it. Positions in rad at the actuator."""

    def __init__(self) -> None:
        self.on = False
        self.position: float | None = None
        self.speed = 0.0
        self.t_ns = -1
        self.rest = 0.0  # where it stood when its power came on
        self.word, self.word_ns = 0, -1  # the host's last controlword
        self.since_ns = -1  # when that, or the first of several stops, was first said
        self.braking_ns, self.braking_speed = -1, 0.0  # since when the host's quick stop stands
        self.point: tuple[float, float] | None = None  # position, cap
        self.points, self.point_ns = 0, -NEVER  # set-points that came close upon each other
        self.obeys: Obeys = "all"


class Duties:
    """Violations and permits in, deadlines and their judgement out. told: permits are told, not earned on the wire."""

    def __init__(self, plan: WirePlan, told: bool) -> None:
        self.plan = plan
        self.broken: list[str] = []
        self.stops: list[StopTimes] = []
        self.violations: list[tuple[int, str, Expected]] = []  # told, and found by the oracle
        self.permission = Permission(plan, told)
        self.oracle = Oracle(plan)
        self._again_ns = plan.stop_ns + plan.period_ns  # a cycle that failed, and the next
        self._axes = [Axis() for _ in plan.axes]
        self._open: list[Stop] = []
        self._due_ns = NEVER
        self._hampered: list[tuple[int, int]] = []
        self._void_ns: int | None = None  # after it nothing energises
        self._still_ns: int | None = None  # after it nothing moves
        self._silent_ns: int | None = None  # after it no heartbeat
        self._failed_ns = -NEVER  # a pass of the host that was not completed
        self._beat_ns = self._heard_ns = -1
        self._told: set[str] = set()
        self._homed = self._homing = False
        self._hidden = self._hurried = False
        self._voided = False  # by the host itself, since the last permit
        self._motion = False  # the leg was energised for more than a trial
        self._rested = False  # every stage has gone off since the last pass

    # ------------------------------------------------------------------ what is told
    def permit(self, t_ns: int, axes: Sequence[int], caps_Nm: Sequence[float], end_ns: int) -> None:
        """A permit was issued: from now on these axes may be energised within these caps."""
        self._advance(t_ns)
        self.permission.grant(axes, caps_Nm, end_ns)
        self._void_ns = self._still_ns = self._silent_ns = None
        self._told.clear()
        self._voided = False

    def void(self, t_ns: int) -> None:
        """Permits are void from now on, without a violation."""
        self._advance(t_ns)
        if any(each.on for each in self._axes):
            self.violation(t_ns, "permit void", "lower")
        self._voided = True
        self.permission.void()

    def homed(self, yes: bool) -> None:
        """The drives' zero is the leg's from now on, or is not."""
        self._homed = yes

    def hidden(self) -> None:
        """Nothing on the bus says where the joints really are: only a hand on the leg can find that out."""
        self._hidden = True

    def obeys(self, axis: int, what: Obeys) -> None:
        """A drive ignores the quick stop ("off"), all controlwords ("silence"), or also lost heartbeats ("nothing")."""
        self._axes[axis].obeys = what

    def hampered(self, t_ns: int, until_ns: int) -> None:
        """Between these instants nothing of the host's can leave: it does not run, or its adapter does not send."""
        self._hampered.append((t_ns, until_ns))
        for stop in self._open:
            if t_ns <= stop.by_ns:
                late = max(until_ns + self._again_ns - stop.by_ns, 0)
                stop.by_ns += late
                stop.off_by_ns += late
        self._void_ns = _later(self._void_ns, t_ns, until_ns + self._again_ns)
        self._still_ns = _later(self._still_ns, t_ns, until_ns + self._again_ns)
        self._renew()

    def violation(
        self, t_ns: int, what: str, expected: Expected = "stop", within_ns: int | None = None
    ) -> None:
        """Something has happened after which the leg must stop.

        expected: "off" = power goes at once; "stop" = brake, then off; "lower" = back to rest, then off; "drives" =
        the host is gone and the drives stop by themselves. within_ns: the host's budget where it is not one period.
        """
        self._advance(t_ns)
        if what in self._told:
            return
        self._told.add(what)
        self.violations.append((t_ns, what, expected))
        plan, on = self.plan, frozenset(i for i, axis in enumerate(self._axes) if axis.on)
        within = plan.stop_ns if within_ns is None else within_ns
        by = self._excused(t_ns, t_ns + within)
        speed = max((abs(self._axes[i].speed) for i in on), default=0.0)
        off_by = by + plan.off_ns(expected, speed)
        if expected == "lower":
            way = max((abs((self._axes[i].position or 0.0) - self._axes[i].rest) for i in on), default=0.0)
            off_by += round((1.3 * way + 0.15) / plan.lower_rad_s * 1e9) + 10 * plan.period_ns
        elif expected == "drives":
            off_by = t_ns + plan.loss_ns + plan.off_ns("stop", speed)
        obedience = {self._axes[i].obeys for i in on}
        if obedience & {"off", "silence"}:
            off_by = max(off_by, by + plan.off_ns("stop", speed) + 3 * plan.stop_ns)
        if "silence" in obedience:
            off_by += plan.loss_ns + 4 * plan.period_ns + plan.off_ns("stop", speed)
        self._void_ns = min(by, NEVER if self._void_ns is None else self._void_ns)
        if expected != "lower":
            self._still_ns = min(by, NEVER if self._still_ns is None else self._still_ns)
        self.permission.void()
        if on:
            self._open.append(Stop(what, expected, t_ns, on, by, off_by))
            self._renew()

    def distrust(self) -> None:
        """The feedback is wrong from now on: a host that takes the power away at once is right."""
        self.oracle.may_off = self.oracle.distrusted = True

    def hurried(self) -> None:
        """Somebody asks for a quicker stop than would be needed: nobody has to lower the leg any more."""
        self._hurried = True

    def silence(self, t_ns: int) -> None:
        """From this instant on the host must not send its heartbeat: it cannot vouch for the leg any more."""
        self._silent_ns = t_ns

    def failed_pass(self, t_ns: int, last: bool) -> None:
        """A pass of the host was not completed: no heartbeat in its cycle. last: and none after it."""
        self._failed_ns = t_ns
        if last and any(each.on for each in self._axes):
            self._silent_ns = t_ns + self.plan.stop_ns

    # ------------------------------------------------------------------ stages and deadlines
    def _stage(self, t_ns: int, axis: int, status: int) -> None:
        each = self._axes[axis]
        on = status & STATE_MASK in STAGE_ON or status & 0x4F == 0x0F
        if on == each.on:
            return
        each.on = on
        if not on:
            self._own_reaction(t_ns, axis)
        self.permission.stage(axis, on)
        if on:
            self._motion = self.permission.motion
            each.rest = each.position or 0.0
            if self._void_ns is not None and t_ns > self._void_ns:
                self._break(t_ns, f"I14 {self.plan.axes[axis].name} comes on after a violation")
            return
        for stop in self._open:
            stop.off_ns.setdefault(axis, t_ns)
        if not any(a.on for a in self._axes):
            self._rested = True
            if self._homing:
                self._homing, self._homed = False, True
            for stop in list(self._open):
                self._close(t_ns, stop)

    def _advance(self, t_ns: int) -> None:
        for stop in list(self._open):
            if not stop.judged and t_ns > stop.by_ns:
                self._judge_sent(stop)
            if t_ns > stop.off_by_ns + 8 * self.plan.period_ns + self.plan.loss_ns:
                self._close(t_ns, stop)
        self._renew()

    def _renew(self) -> None:
        margin = 8 * self.plan.period_ns + self.plan.loss_ns
        dues = [s.off_by_ns + margin if s.judged else s.by_ns for s in self._open]
        self._due_ns = min(dues, default=NEVER)

    def _judge_sent(self, stop: Stop) -> None:
        """I4, I13: the right stop frame to every axis that was energised; not needed where the drive went off alone."""
        stop.judged = True
        if stop.expected in ("lower", "drives"):
            return
        for axis in sorted(stop.axes):
            each, name = self._axes[axis], self.plan.axes[axis].name
            # A stop that had begun before stands: of the right kind, or off already.
            before = each.word_ns >= 0 and not each.word & (0x04 if stop.expected == "stop" else 0x06)
            if axis in stop.sent_ns or axis in stop.off_ns or before or not each.on:
                continue
            self._break(stop.by_ns, f"I4 {stop.what}: no {stop.expected} to {name}")
        if stop.expected == "off":
            for axis, word in stop.first.items():
                each = self._axes[axis]
                if word & 0x02 and each.braking_ns >= stop.t_ns and axis not in stop.off_ns:
                    self._break(stop.by_ns, f"I6 {stop.what}: {self.plan.axes[axis].name} was braked, not switched off")

    def _close(self, t_ns: int, stop: Stop) -> None:
        if stop not in self._open:
            return
        if not stop.judged and t_ns > stop.by_ns:
            self._judge_sent(stop)
        self._open.remove(stop)
        self._lowered(t_ns, stop)
        for axis in sorted(stop.axes):
            off_ns = stop.off_ns.get(axis)
            if self._axes[axis].obeys != "nothing" and t_ns > stop.off_by_ns and (off_ns or t_ns) > stop.off_by_ns:
                late = ((off_ns or t_ns) - stop.off_by_ns) / 1e6
                self._break(t_ns, f"I5 {stop.what}: {self.plan.axes[axis].name} off {late:.1f} ms too late")
        self.stops.append(stop.times())
        self._renew()

    def _lowered(self, t_ns: int, stop: Stop) -> None:
        """I6: a permit that ends, and nothing else, lets the leg down where it had rested."""
        if self._told - {"permit", "permit void"} or stop.what != "permit" or self._hurried or self._hampered:
            return
        for axis in sorted(stop.axes):
            each = self._axes[axis]
            if each.position is not None and abs(each.position - each.rest) > LET_DOWN_RAD:
                gap = each.position - each.rest
                self._break(t_ns, f"I6 {stop.what}: {self.plan.axes[axis].name} is let go {gap:+.2f} rad from its rest")

    def _excused(self, t_ns: int, by_ns: int) -> int:
        for start, until in self._hampered:
            if start <= by_ns and until >= t_ns:
                by_ns = max(by_ns, until + self._again_ns)
        return by_ns

    def _was_hampered(self, t_ns: int) -> bool:
        return any(start <= t_ns <= until + 100_000_000 for start, until in self._hampered)

    def _break(self, t_ns: int, text: str) -> None:
        invariant = text.partition(" ")[0]
        if sum(f" {invariant} " in line for line in self.broken) < MOST_LINES:
            self.broken.append(f"{t_ns / 1e9:.6f} s {text}")

    def _own_reaction(self, t_ns: int, axis: int) -> None:
        """I7: without the host's heartbeat no drive stays on."""
        each = self._axes[axis]
        limit = self.plan.loss_ns + 2 * OFF_GRACE_NS + 2 * self.plan.ramp_ns(each.speed)
        if self.oracle.distrusted:
            limit += FOLLOWING_NS  # who cannot trust its feedback cannot brake: its following error ends it
        if self._heard_ns >= 0 and each.obeys != "nothing" and t_ns - self._heard_ns > limit:
            self._break(t_ns, f"I7 {self.plan.axes[axis].name} is on long after the host's last heartbeat")
            self._heard_ns = t_ns  # once


def _later(deadline_ns: int | None, t_ns: int, until_ns: int) -> int | None:
    return max(deadline_ns, until_ns) if deadline_ns is not None and deadline_ns >= t_ns else deadline_ns
