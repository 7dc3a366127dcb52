"""The observer itself: frames of the wire and the truth about the leg in, broken invariants and times of stops out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from struct import unpack
from typing import Literal

from legtest.campaign.observer.duties import NEVER, Duties
from legtest.campaign.observer.oracle import HEARTBEAT_LOST, OPERATION_ENABLED, STATE_MASK
from legtest.campaign.observer.permission import ENDED
from legtest.campaign.observer.plan import STAY_RAD_S, WirePlan
from legtest.canbus.frame import EXTENDED, SENT, Frame

CONFIRMED = 4  # passes with every axis energised, until nobody can be waiting for one any more
PROVING_NS = 30_000_000  # without a heartbeat, in a trial: the drive's own reaction is being tried
TRUTH_ID = 0x1FFFFF00


class Observer(Duties):
    """Judges a run. Give it everything in the order of time, then `end`; read `broken` and `stops`.

    permits: "told" = by `permit` and `void`; "wire" = a permit is earned by a pre-check seen on the wire.
    judged_by: "delivery" = what the host could know comes by `delivered`; "wire" = it received every frame.
    """

    def __init__(
        self, plan: WirePlan, *, permits: Literal["told", "wire"] = "wire",
        judged_by: Literal["delivery", "wire"] = "wire",
    ) -> None:  # fmt: skip
        super().__init__(plan, permits == "told")
        self._by_wire = judged_by == "wire"
        self._node = {axis.node: index for index, axis in enumerate(plan.axes)}
        self._sync_ns = self._pass_ns = -1
        self._stranger_ns = -NEVER  # when somebody who is no part of the leg sent something
        self._beyond = 0
        self._enabled: frozenset[int] = frozenset()
        self._complete = 0  # passes in which every axis was seen energised; at first some are still on their way
        self._truth = False
        self._waiting: list[Frame] = []  # delivered, for the next pass
        self._handed: Counter[tuple[int, int]] = Counter()  # (axis, controlword) that a waiting adapter took
        self._cuts: list[tuple[int, str]] = []  # powers cut at speed, for the next pass to explain

    def permit(self, t_ns: int, axes: Sequence[int], caps_Nm: Sequence[float], end_ns: int) -> None:
        """A permit was issued; what the host had heard until then was looked at by its pre-check."""
        self._passed(t_ns)
        super().permit(t_ns, axes, caps_Nm, end_ns)

    # ------------------------------------------------------------------ what is seen
    def line(self, frame: Frame) -> None:
        """One frame of a wire log: of the host (SENT), of somebody else, or a pseudo-frame with the truth."""
        if frame.flags & EXTENDED and frame.can_id >= TRUTH_ID and len(frame.data) == 8:
            micro, centi, status = unpack("<ihH", frame.data)
            self.truth(frame.t_ns, frame.can_id - TRUTH_ID, micro * 1e-6, centi * 1e-2, status)
        else:
            self.frame(frame, bool(frame.flags & SENT))

    def frame(self, frame: Frame, by_host: bool) -> None:
        """One frame of the wire, when it ended."""
        t_ns, can_id, data, flags = frame
        if t_ns > self._due_ns:
            self._advance(t_ns)
        if flags & ~SENT:
            if self._by_wire:
                self._waiting.append(frame)
            return
        if by_host:
            self._of_host(t_ns, can_id, data)
            return
        if self._by_wire:
            self._waiting.append(frame)
        if not self._truth and 0x180 < can_id < 0x200 and can_id - 0x180 in self._node and len(data) == 8:
            self._stage(t_ns, self._node[can_id - 0x180], int.from_bytes(data[:2], "little"))
        noticed = self._node.get(can_id - 0x80, -1) if data[:2] == HEARTBEAT_LOST.to_bytes(2, "little") else -1
        if noticed >= 0 and not any(axis.on for axis in self._axes):
            self.permission.silence_noticed(noticed)
        if can_id & 0x7F not in self._node:
            self._stranger_ns = t_ns
        if can_id == 0x700 + self.plan.host_node:
            self._heard_ns = t_ns  # a stranger's beat under our number keeps the drives on as well

    def delivered(self, frame: Frame) -> None:
        """One frame as the host's adapter gave it, when it did."""
        self._waiting.append(frame)

    def handed_over(self, t_ns: int, frame: Frame) -> None:
        """An adapter without its bus took a frame: it comes out when the bus is back, whatever has happened since."""
        axis = self._node.get(frame.can_id & 0x7F, -1)
        if frame.can_id & 0x780 == 0x200 and axis >= 0 and not self.permission.refusal(t_ns, axis):
            self._handed[axis, int.from_bytes(frame.data[:2], "little")] += 1

    def truth(self, t_ns: int, axis: int, position_rad: float, torque_Nm: float, status: int) -> None:
        """Where an actuator really is, and its drive's statusword."""
        self._truth = True
        if t_ns > self._due_ns:
            self._advance(t_ns)
        each = self._axes[axis]
        if each.position is not None and t_ns > each.t_ns:
            each.speed = (position_rad - each.position) / ((t_ns - each.t_ns) * 1e-9)
        if each.position is None or t_ns > each.t_ns:
            each.position, each.t_ns = position_rad, t_ns
        self._stage(t_ns, axis, status)
        if each.on:
            self._own_reaction(t_ns, axis)

    def end(self, t_ns: int) -> None:
        """The run is over; whatever is still due is judged."""
        self._advance(t_ns)
        self._passed(t_ns)
        for stop in list(self._open):
            self._close(t_ns, stop)
        for name, axis in zip((a.name for a in self.plan.axes), self._axes, strict=True):
            if axis.on and axis.obeys != "nothing":
                self._break(t_ns, f"I5 {name} is on at the end")

    # ------------------------------------------------------------------ frames of the host
    def _of_host(self, t_ns: int, can_id: int, data: bytes) -> None:
        axis = self._node.get(can_id & 0x7F, -1)
        kind = can_id & 0x780
        if can_id == self.plan.sync_id:
            self._sync(t_ns)
        elif can_id == 0x700 + self.plan.host_node:
            self._beat(t_ns)
        elif kind == 0x200 and axis >= 0:
            self._control(t_ns, axis, int.from_bytes(data[:2], "little"))
        elif kind == 0x300 and axis >= 0:
            self._set_point(t_ns, axis, data)
        elif kind == 0x600 and axis >= 0 and len(data) == 8:
            self._service(t_ns, axis, data)
        elif can_id == 0 and data[:1] == b"\x01" and any(each.on for each in self._axes):
            if not self.permission.motion or self._homing:
                return  # the pre-check starts its nodes again
            self._break(t_ns, "I1 nodes are started while the leg is energised")

    def _control(self, t_ns: int, axis: int, word: int) -> None:
        each, name = self._axes[axis], self.plan.axes[axis].name
        if word & 0x80 or word & 0x06 == 0x06:  # fault reset; shut down, switch on, enable: the way to torque
            if self._void_ns is not None and t_ns > self._void_ns:
                self._break(t_ns, f"I2 controlword 0x{word:02X} to {name} after a violation")
            refusal = self.permission.refusal(t_ns, axis)
            handed = self._handed[axis, word] > 0
            self._handed[axis, word] -= handed  # each is excused once, when it comes out
            if refusal and self._void_ns is None and not handed:
                self._break(t_ns, f"I1 controlword 0x{word:02X} to {name}: {refusal}")
            if word & 0x1F == 0x1F:
                self._homing = self.oracle.homing = True
            each.braking_ns = -1
        elif word & 0x02:
            if each.braking_ns < 0:
                each.braking_ns, each.braking_speed = t_ns, abs(each.speed)
        else:
            self._power_cut(t_ns, axis)
        for stop in self._open:
            if axis in stop.axes and not word & 0x04:
                stop.first.setdefault(axis, word)
                if stop.expected != "off" or not word & 0x02:
                    stop.sent_ns.setdefault(axis, t_ns)
        if word & 0x04 or each.word & 0x04 or each.word_ns < 0:
            each.since_ns = t_ns
        each.word, each.word_ns = word, t_ns

    def _power_cut(self, t_ns: int, axis: int) -> None:
        """Voltage is disabled: not while the axis moves fast and its feedback can be trusted."""
        each = self._axes[axis]
        if not each.on or abs(each.speed) <= STAY_RAD_S or self.oracle.may_off:
            return
        if any(stop.expected == "off" for stop in self._open) or self._was_hampered(t_ns):
            return
        braked = each.braking_ns >= 0 and t_ns >= each.braking_ns + self.plan.ramp_ns(each.braking_speed)
        rising = each.braking_ns >= 0 and abs(each.speed) > 1.1 * each.braking_speed
        if not braked and not rising:  # judged with the pass that led to it
            self._cuts.append((t_ns, f"I6 {self.plan.axes[axis].name} loses its power at {each.speed:.2f} rad/s"))

    def _set_point(self, t_ns: int, axis: int, data: bytes) -> None:
        each, plan = self._axes[axis], self.plan.axes[axis]
        if self._idle():
            return
        if self._still_ns is not None and t_ns > self._still_ns:
            self._break(t_ns, f"I3 set-point for {plan.name} after a violation")
        lowering = self._void_ns is not None
        refusal = "" if lowering else self.permission.refusal(t_ns, axis)
        if refusal and refusal != ENDED:  # the way back may be finished after the end, and has a budget of its own
            self._break(t_ns, f"I1 set-point for {plan.name}: {refusal}")
        if len(data) != 8:
            self._break(t_ns, f"I9 set-point for {plan.name} of {len(data)} bytes")
            return
        each.points = each.points + 1 if t_ns - each.point_ns < self.plan.period_ns // 2 else 0
        each.point_ns = t_ns
        if each.points == (7 if self._was_hampered(t_ns) else 3):
            self._break(t_ns, f"I12 {each.points} set-points for {plan.name} in a burst")
        position = int.from_bytes(data[:4], "little", signed=True) * plan.rad_per_count
        cap = int.from_bytes(data[6:8], "little") * abs(plan.Nm_per_mille)
        allowed = plan.cap_Nm if lowering else self.permission.cap_Nm(axis)
        if cap > allowed + abs(plan.Nm_per_mille):
            self._break(t_ns, f"I9 torque cap {cap:.2f} N*m for {plan.name}, permitted {allowed:.2f} N*m")
        forward = abs(int.from_bytes(data[4:6], "little", signed=True) * plan.Nm_per_mille)
        if forward > allowed + abs(plan.Nm_per_mille):
            self._break(t_ns, f"I9 torque {forward:.2f} N*m for {plan.name}, permitted {allowed:.2f} N*m")
        self.oracle.asked(axis, position, cap)
        if each.point is not None and each.on:
            self._demand_speed(t_ns, axis, position, each.point[0])
        each.point = (position, cap)

    def _idle(self) -> bool:
        """The permit was voided before any drive was on its way to torque: set-points do nothing, and soon end."""
        waiting = self._voided and self._still_ns is None
        return waiting and not any(each.on or each.word & 0x0F == 0x0F for each in self._axes)

    def _demand_speed(self, t_ns: int, axis: int, position: float, before: float) -> None:
        """Only where a joint has an actuator of its own; coupled ones are judged by where they really go."""
        row = self.plan.joint_of_actuator[axis]
        if sum(1 for c in row if c) != 1:
            return
        speed = abs(position - before) * abs(row[axis]) / (self.plan.period_ns * 1e-9)
        quantum = 2 * abs(self.plan.axes[axis].rad_per_count) / (self.plan.period_ns * 1e-9)
        if speed > 1.02 * self.plan.axes[axis].speed_rad_s + quantum and not self._was_hampered(t_ns):
            self._break(t_ns, f"I18 {self.plan.axes[axis].name} is asked for {speed:.2f} rad/s")

    def _service(self, t_ns: int, axis: int, data: bytes) -> None:
        index = int.from_bytes(data[1:3], "little")
        if data[0] == 0x40 and index == 0x1018:
            self.permission.identity_read(axis)
        if data[0] >> 5 != 1:
            return
        if index in (0x6040, 0x607A, 0x6071, 0x60B2):
            self._break(t_ns, f"I1 object 0x{index:04X} of {self.plan.axes[axis].name} is written")
        elif index != 0x1016 and any(each.on for each in self._axes) and not self._homing:  # arming is part of power-up
            self._break(t_ns, f"I9 object 0x{index:04X} is written while the leg is energised")

    def _beat(self, t_ns: int) -> None:
        if self._silent_ns is not None and t_ns > self._silent_ns:
            self._break(t_ns, "I8 heartbeat of a host that cannot vouch for the leg")
            self._silent_ns = None
        if self._failed_ns > self._sync_ns and t_ns > self._failed_ns:
            self._break(t_ns, "I8 heartbeat after a pass that was not completed")
        on = any(each.on for each in self._axes)
        disturbed = t_ns - self._stranger_ns < 2 * self.plan.period_ns or self._was_hampered(t_ns)
        if on and not disturbed and t_ns - self._sync_ns < self.plan.period_ns // 2:
            self._break(t_ns, "I8 heartbeat before the pass of its cycle")
        for stop in self._open:
            if stop.expected in ("stop", "off") and t_ns > stop.off_by_ns + 6 * self.plan.period_ns:
                self._break(t_ns, f"I8 heartbeat although the stop for {stop.what!r} is not confirmed")
        self._beat_ns = self._heard_ns = t_ns

    # ------------------------------------------------------------------ passes
    def _sync(self, t_ns: int) -> None:
        """A cycle begins: the pass of the one before is over."""
        plan = self.plan
        if self._sync_ns >= 0:
            self._passed(self._sync_ns + plan.period_ns * 6 // 10 - 50_000_000_000 // plan.bit_rate)
            gap = t_ns - self._sync_ns
            if self._enabled and gap > (plan.age_cycles + 3) * plan.period_ns and not self._was_hampered(t_ns):
                self.violation(t_ns, "deadline", "stop")
        self._sync_ns = t_ns
        end = self.permission.end_ns
        if end is not None and t_ns > end and any(each.on for each in self._axes):
            self.violation(t_ns, "permit", "lower")
        self._limits(t_ns)

    def _passed(self, t_ns: int) -> None:
        waiting, self._waiting = self._waiting, []
        for number, frame in enumerate(waiting):
            if frame.t_ns > t_ns:
                self._waiting = waiting[number:]
                break
            self.oracle.delivered(frame)
        seen, before_ns = self.oracle.axes, t_ns - self.plan.period_ns // 3  # a stop after that is this pass's own
        now_on = frozenset(
            i for i, each in enumerate(self._axes)
            if (each.word & 0x0F == 0x0F or each.since_ns >= before_ns)
            and (i in self._enabled or seen[i].status & STATE_MASK == OPERATION_ENABLED)
        )  # fmt: skip
        self._enabled = now_on
        alive = all(seen[i].status & STATE_MASK == OPERATION_ENABLED for i in now_on)
        complete = len(now_on) == len(self._axes) and (alive or self._complete >= CONFIRMED)
        self._complete = self._complete + 1 if complete else 0
        homed = self._homed and not self._homing
        self.oracle.proving = not self._motion and t_ns - self._beat_ns > max(9 * self.plan.period_ns // 4, PROVING_NS)
        for what, expected, axis in self.oracle.crossed(t_ns, now_on, homed, self._motion, self._complete >= CONFIRMED):
            name = f"{what} {self.plan.axes[axis].name}" if axis >= 0 else what
            self.violation(max(t_ns, self._pass_ns), name, expected)
        self._pass_ns = t_ns
        cuts, self._cuts = self._cuts, []
        for at, text in cuts:
            if not self.oracle.may_off:
                self._break(at, text)
        if self._rested:
            self._rested = False
            self.oracle.restart()

    def _limits(self, t_ns: int) -> None:
        """I11: where the joints really are, while nobody stops them."""
        if not self._homed or self._hidden or self._open or not all(each.on and each.point for each in self._axes):
            self._beyond = 0
            return
        beyond = False
        for j, angle in enumerate(self.plan.joints([each.position or 0.0 for each in self._axes])):
            limits, point = self.plan.axes[j], self._axes[j].point
            gentle = point is not None and point[1] <= 1.05 * limits.contact_Nm
            outside = not limits.low_rad - 0.03 <= angle <= limits.high_rad + 0.03
            beyond |= outside and self.oracle.axes[j].inside and not gentle
        self._beyond = self._beyond + 1 if beyond else 0
        if self._beyond == 9:
            self._break(t_ns, "I11 a joint is beyond its limits, energised and not stopping")
