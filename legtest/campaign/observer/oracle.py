"""What a host that looks at delivered frames must notice, by its own arithmetic: which limit, how surely, which stop.

Each rule is written from what it is for, with thresholds a little outside the host's, so that whatever is said here
the host must have said as well, a pass later at most.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

from legtest.campaign.observer.plan import WirePlan
from legtest.campaign.observer.stops import Expected
from legtest.canbus.frame import ERROR, EXTENDED, REMOTE, SENT, Frame

FAST_BYTES, SLOW_BYTES, THERMAL_BYTES = 8, 8, 4
TORQUE_PASSES, POWER_PASSES, STUCK_PASSES, SPEED_PASSES = 6, 5, 6, 4
JUMP_RAD, SLIP_RAD, STUCK_DEMAND_RAD = 0.15, 0.06, 0.03
HIDDEN_RAD_S2 = 100.0  # acceleration that nobody sees between two velocities: the slower the cycles, the more slips
PUSHING_NS, PUSHED_RAD = 520_000_000, 0.31  # two quarters of a second hold one whole; a tenth of a radian in each
THERMAL_EVERY = 25  # cycles between two temperatures
BUS_OFF = 0x40  # error class in the identifier of an error frame (linux/can/error.h)
OPERATION_ENABLED, STATE_MASK, FAULT_BIT = 0x27, 0x6F, 0x08
HEARTBEAT_LOST = 0x8130  # emergency error code of CiA 301


class Crossed(NamedTuple):
    """A limit crossed beyond doubt. axis: -1 where it belongs to none."""

    what: str
    expected: Expected
    axis: int = -1


class Seen:
    """What was delivered of one axis. counts and per mille become SI with the plan's scales."""

    def __init__(self) -> None:
        self.status = 0
        self.payload = b""
        self.position: float | None = None
        self.torque = 0.0
        self.velocity: float | None = None
        self.supply: float | None = None
        self.temperature: float | None = None
        self.age = 0  # passes since the last fast answer
        self.fresh = False
        self.inside = False  # the joint was within its limits since power came on: friction may hold a limp one outside
        self.moved = 0.0  # position, against the pass before
        self.over = self.same = self.slips = 0
        self.same_from = 0.0  # demand when the answer began to repeat
        self.answers = 0  # in this pass: more than one, and they have not come in their time
        self.slow: tuple[float, float] | None = None  # velocity, position of the last slow answer
        self.slow_passes = 0
        self.places: deque[float] = deque(maxlen=SPEED_PASSES + 1)  # positions of the last passes
        self.heat: deque[tuple[int, float]] = deque(maxlen=40)
        self.demands: deque[tuple[float, float]] = deque(maxlen=5)  # position, cap: of the last set-points
        self.track: deque[tuple[int, float, float]] = deque(maxlen=160)  # under much torque: when, demand, position


class Oracle:
    """Fed every delivered frame and every pass of the host; `crossed` says what must stop the leg."""

    def __init__(self, plan: WirePlan) -> None:
        self.plan = plan
        self.axes = [Seen() for _ in plan.axes]
        self.distrusted = False  # told: the feedback is wrong all along, and may be distrusted at any time
        self.may_off = False  # something was seen that a careful host may answer by taking the power at once
        nodes = {axis.node: index for index, axis in enumerate(plan.axes)}
        self._fast = {0x180 + node: index for node, index in nodes.items()}
        self._slow = {0x280 + node: index for node, index in nodes.items()}
        self._thermal = {0x380 + node: index for node, index in nodes.items()}
        self._emergency = {0x080 + node: index for node, index in nodes.items()}
        self._boot = {0x700 + node: index for node, index in nodes.items()}
        self._host = {0x000, plan.sync_id, 0x700 + plan.host_node}
        self._host |= {base + node for base in (0x200, 0x300, 0x600) for node in nodes}
        self.homing = False  # the drives are being told where they are: their positions change at once
        self.proving = False  # the host is silent on purpose: a drive may act as if it had lost it
        self._events: list[Crossed] = []
        self._errors: deque[int] = deque(maxlen=12)
        self._power = self._quick = 0
        self._passes = 0

    def restart(self) -> None:
        """The leg is off: what was counted in motion is forgotten."""
        self.may_off, self.homing = self.distrusted, False
        self._power = self._quick = 0
        for seen in self.axes:
            seen.over = seen.same = seen.slips = 0
            seen.inside = False
            seen.demands.clear()
            seen.places.clear()
            seen.track.clear()
            seen.heat.clear()
            seen.slow = None

    def asked(self, axis: int, position_rad: float, cap_Nm: float) -> None:
        """A set-point was on the wire."""
        self.axes[axis].demands.append((position_rad, cap_Nm))

    # ------------------------------------------------------------------ frames
    def delivered(self, frame: Frame) -> None:
        """One frame that the host received, in order."""
        t_ns, can_id, data, flags = frame
        if flags & SENT:
            return
        if flags & ERROR:
            self._errors.append(t_ns)
            many = len(self._errors) == 12 and t_ns - self._errors[0] < 900_000_000
            if can_id & BUS_OFF or many:
                self._events.append(Crossed("bus errors", "stop"))
        elif flags & (EXTENDED | REMOTE):
            return
        elif can_id in self._fast:
            self._answer(self._fast[can_id], data)
        elif can_id in self._slow:
            self._second(self._slow[can_id], data)
        elif can_id in self._thermal:
            self._third(self._thermal[can_id], t_ns, data)
        elif can_id in self._host:
            self._events.append(Crossed(f"foreign master 0x{can_id:03X}", "stop"))
        elif can_id in self._emergency and data[:2] != b"\0\0":
            code = int.from_bytes(data[:2], "little")
            self._events.append(Crossed(f"emergency 0x{code:04X}", "stop", self._emergency[can_id]))
        elif can_id in self._boot and data == b"\0":
            self._events.append(Crossed("boot-up", "stop", self._boot[can_id]))

    def _answer(self, axis: int, data: bytes) -> None:
        if len(data) != FAST_BYTES:
            self._events.append(Crossed("decode", "stop", axis))
            return
        seen, plan = self.axes[axis], self.plan.axes[axis]
        position = int.from_bytes(data[2:6], "little", signed=True) * plan.rad_per_count
        demand = seen.demands[-1][0] if seen.demands else 0.0
        if data != seen.payload:
            seen.same, seen.same_from = 0, demand
        else:
            seen.same += 1
        if self.homing:
            seen.moved = 0.0
        elif seen.position is not None:
            seen.moved = position - seen.position
        seen.payload, seen.position, seen.fresh, seen.age = data, position, True, 0
        seen.answers += 1
        seen.status = int.from_bytes(data[0:2], "little")
        seen.torque = int.from_bytes(data[6:8], "little", signed=True) * plan.Nm_per_mille

    def _second(self, axis: int, data: bytes) -> None:
        if len(data) != SLOW_BYTES:
            self._events.append(Crossed("decode", "stop", axis))
            return
        seen = self.axes[axis]
        velocity = int.from_bytes(data[0:4], "little", signed=True) * self.plan.axes[axis].rad_per_count
        seen.supply = int.from_bytes(data[4:8], "little") * 1e-3
        if seen.slow is not None and seen.position is not None and 0 < seen.slow_passes <= 6 and seen.fresh:
            before, start = seen.slow
            span = seen.slow_passes * self.plan.period_ns * 1e-9
            told = (velocity + before) / 2 * span
            gap = abs(seen.position - start - told) - abs(velocity - before) / 2 * span - HIDDEN_RAD_S2 * span**2 / 4
            self.may_off |= abs(seen.position - start - told) > SLIP_RAD / 6
            seen.slips = seen.slips + 1 if gap > SLIP_RAD and not self.homing else 0
        seen.velocity = velocity
        seen.slow = None if seen.position is None or not seen.fresh else (velocity, seen.position)
        seen.slow_passes = 0

    def _third(self, axis: int, t_ns: int, data: bytes) -> None:
        if len(data) != THERMAL_BYTES:
            self._events.append(Crossed("decode", "stop", axis))
            return
        seen = self.axes[axis]
        seen.temperature = int.from_bytes(data[0:2], "little", signed=True) * 0.1
        seen.heat.append((t_ns, seen.temperature))

    # ------------------------------------------------------------------ passes
    def crossed(self, t_ns: int, enabled: frozenset[int], homed: bool, motion: bool, complete: bool) -> list[Crossed]:
        """What this pass must end in. enabled: axes the host saw energised and has not stopped."""
        self._passes += 1
        found, self._events = self._events, []
        if not motion or not enabled:  # silence is being tried on purpose, or nobody is missed any more
            found = [c for c in found if c.what != f"emergency 0x{HEARTBEAT_LOST:04X}"]
        for seen in self.axes:
            seen.age = 0 if seen.fresh else seen.age + 1
            seen.slow_passes += 1
            if seen.answers != 1:  # late or lost: nobody knows which instant the newest is of
                seen.slow, seen.slips = None, 0
            seen.answers = 0
        if not enabled:
            for seen in self.axes:
                seen.heat.clear()
        else:
            for axis in sorted(enabled):
                found += self._axis(t_ns, axis, motion, complete)
            found += self._leg(enabled, homed, motion)
        for seen in self.axes:
            seen.fresh = False
        return found

    def _axis(self, t_ns: int, axis: int, motion: bool, complete: bool) -> Iterator[Crossed]:
        seen, plan = self.axes[axis], self.plan
        # In a trial the silence that excuses it may have begun with this very cycle.
        if seen.age > plan.age_cycles + (0 if motion else 2) and not self.proving:
            yield Crossed("telemetry age", "stop", axis)
        if seen.status & FAULT_BIT:
            yield Crossed("drive fault", "stop", axis)
        elif seen.status & STATE_MASK != OPERATION_ENABLED and motion and complete:
            yield Crossed("drive state", "stop", axis)
        if seen.fresh and abs(seen.moved) > 2 * plan.axes[axis].speed_rad_s * plan.period_ns * 1e-9 + JUMP_RAD:
            yield Crossed("position jump", "off", axis)
        self.may_off |= abs(seen.moved) > 1.1 * plan.axes[axis].speed_rad_s * plan.period_ns * 1e-9
        if seen.slips >= 2:
            yield Crossed("encoder slip", "off", axis)
        if seen.supply is not None and not plan.supply_V[0] <= seen.supply <= plan.supply_V[1]:
            yield Crossed("supply", "off" if seen.supply > plan.supply_V[1] else "stop", axis)
        if seen.temperature is not None and not plan.temperature_C[0] <= seen.temperature <= plan.temperature_C[1]:
            yield Crossed("temperature", "lower", axis)
        if self._heats(seen, t_ns):
            yield Crossed("temperature rate", "lower", axis)
        if seen.demands and seen.fresh and seen.position is not None:
            yield from self._against_demand(t_ns, axis, seen, motion)

    def _heats(self, seen: Seen, t_ns: int) -> bool:
        """A rise that half-second rates cannot have missed: two of them long, and old enough for all to be complete."""
        frame_ns = THERMAL_EVERY * self.plan.period_ns
        window_ns = -(-500_000_000 // frame_ns) * frame_ns
        old = [(t, v) for t, v in seen.heat if window_ns < t_ns - t <= 3 * window_ns + frame_ns]
        if len(old) < 2 or old[-1][0] - old[0][0] < 2 * window_ns - frame_ns:
            return False
        return (old[-1][1] - old[0][1]) / ((old[-1][0] - old[0][0]) * 1e-9) > 1.3 * self.plan.temperature_rate_K_s

    def _against_demand(self, t_ns: int, axis: int, seen: Seen, motion: bool) -> Iterator[Crossed]:
        plan, contact = self.plan, self.plan.axes[axis].contact_Nm
        asked, position = [d for d, _ in seen.demands], seen.position or 0.0
        cap = max(c for _, c in seen.demands)
        seen.over = seen.over + 1 if abs(seen.torque) > 1.15 * cap + 0.3 else 0
        if seen.over >= TORQUE_PASSES:
            yield Crossed("torque", "stop", axis)
        error = max(min(asked) - position, position - max(asked), 0.0)
        self.may_off |= not motion
        if cap > 0 and error > 1.15 * plan.following_rad + 0.01 and len(asked) == asked_all(seen):
            yield Crossed("following error", "stop" if motion else "off", axis)
        moved = [abs(d - seen.same_from) for d in asked]  # the newest are on their way, and not yet in force
        self.may_off |= seen.same >= 2 and max(*moved, max(asked) - min(asked)) > STUCK_DEMAND_RAD / 2
        if seen.same >= STUCK_PASSES and min(moved) > STUCK_DEMAND_RAD:
            yield Crossed("stuck telemetry", "off", axis)
        if cap <= 1.05 * contact or abs(seen.torque) < 0.65 * cap:
            seen.track.clear()
        recent = [row for row in seen.track if t_ns - row[0] <= PUSHING_NS]
        still = recent and max(abs(row[2] - position) for row in recent) < 0.015
        if still and abs(asked[-1] - recent[0][1]) > PUSHED_RAD:
            yield Crossed("torque without motion", "stop", axis)
        seen.track.append((t_ns, asked[-1], position))

    def _leg(self, enabled: frozenset[int], homed: bool, motion: bool) -> Iterator[Crossed]:
        plan, axes = self.plan, self.axes
        if not all(seen.fresh and seen.position is not None for seen in axes):
            return
        seconds = plan.period_ns * 1e-9
        for seen in axes:
            seen.places.append(seen.position or 0.0)
        kept = len(axes[0].places) - 1
        spans = [(seen.places[-1] - seen.places[0]) / (max(kept, 1) * seconds) for seen in axes]
        speeds = plan.joints(spans) if kept == SPEED_PASSES else []
        fast = [j for j, v in enumerate(speeds) if abs(v) > 1.15 * plan.axes[j].speed_rad_s + 0.3]
        self._quick = self._quick + 1 if fast else 0
        if self._quick >= 3:
            yield Crossed("speed", "stop", fast[0])
        work = sum(abs(seen.torque * seen.moved / seconds) for seen in axes)
        self._power = self._power + 1 if work > 1.2 * plan.power_W + 5.0 else 0
        if self._power >= POWER_PASSES:
            yield Crossed("power", "stop")
        if not (homed and motion):
            return
        for j, angle in enumerate(plan.joints([seen.position or 0.0 for seen in axes])):
            limits, seen = plan.axes[j], axes[j]
            outside = max(limits.low_rad - angle, angle - limits.high_rad)
            strong = not seen.demands or min(c for _, c in seen.demands) > 1.05 * limits.contact_Nm
            if outside < 0.0:
                seen.inside = True
            elif not strong:
                seen.inside = False  # it went there gently, and may stay or come back
            if seen.inside and outside > 0.03 and (strong or outside > 0.15 + limits.travel_high_rad - limits.high_rad):
                yield Crossed("position", "stop", j)


def asked_all(seen: Seen) -> int:
    """How many set-points are kept when the window is full: fewer say little about what is followed."""
    return seen.demands.maxlen or 0
