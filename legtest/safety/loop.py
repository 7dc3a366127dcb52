"""The control cycle: SYNC, collect, watch, then set-points. One class, in the test's process or in a keeper.

Cycle k begins with SYNC at t_k. Every drive samples at SYNC and answers; what has come by t_k + 0.6 T goes through the
monitor; then the set-points for t_(k+2) leave: they act at SYNC k+1 and are reached one period later. The table of
set-points is known ahead, so there is neither lag nor a race between SYNC and set-points.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence

from legtest.canbus.candump import line
from legtest.canbus.frame import Frame
from legtest.canbus.link import Link
from legtest.canbus.wiremap import HomeSetting, ObjectWrite, Point, Reaction, setpoint_encoder
from legtest.errors import DriveError, LegStopped, LegtestError, NotPermitted
from legtest.safety.gate import HEARTBEAT, Gate
from legtest.safety.lowering import lowering
from legtest.safety.monitor import Reason, initial, step
from legtest.safety.permit import Grant, Ledger, Permit
from legtest.safety.player import Player, check
from legtest.safety.port import LineSink, TimingCounts
from legtest.safety.rules import rules_of
from legtest.safety.service import ObjectAccess
from legtest.safety.setup import Setup
from legtest.safety.stretch import Stretch

GIVE_UP_NS = 1_500_000_000
CONFIRM_CYCLES = 2
REST_RAD = 0.002
REST_WINDOW_NS = 100_000_000
REST_GIVE_UP_NS = 5_000_000_000


class Loop:
    """Owns link, set-up, ledger and logs of one leg. All methods run in the one thread that made it."""

    def __init__(self, link: Link, setup: Setup, log: LineSink, events: Callable[[str], None]) -> None:
        self.link, self.setup, self.rules, self.ledger = link, setup, rules_of(setup), Ledger()
        self.state = initial(len(setup.axes), link.now_ns())
        self.gate = Gate(setup)
        self.access = ObjectAccess(setup, self.send, self.listen, link.now_ns)
        self.reasons: tuple[Reason, ...] = ()
        self.outbox: list[Frame] = []
        self.beating = False
        self._log, self._events = log, events
        self._encoders = [setpoint_encoder(axis) for axis in setup.axes]
        self._sync = Frame(0, setup.sync_id, b"")
        self._next = link.now_ns() + setup.period_ns
        self._beat_due = 0
        self._grant: Grant | None = None
        self._player: Player | None = None
        self._lowering: Player | None = None
        self._sent: deque[tuple[Point, ...] | None] = deque([None, None], 2)
        self._rest: tuple[float, ...] = ()
        self._backlog: list[Frame] = []
        self._fast = {axis.position_signal().can_id for axis in setup.axes}
        self.reset_timing()

    # ------------------------------------------------------------------ frames out and in
    @property
    def powered(self) -> bool:
        """Whether any axis is, or may be, energised."""
        return self._grant is not None

    def send(self, frame: Frame) -> None:
        """Send through the gate. Raises NotPermitted; a refusal is an event of the record."""
        refusal = self.gate.refusal(frame, self._grant, self.link.now_ns(), self.powered)
        if refusal:
            self._events(f"refused 0x{frame.can_id:X}#{frame.data.hex()}: {refusal}")
            raise NotPermitted(refusal)
        self.link.send(frame)

    def _collect(self, until_ns: int) -> list[Frame]:
        frames = self.link.pump(until_ns)
        if frames:
            self._log.write(b"".join([line(frame) for frame in frames]))
            self.outbox += frames
        return frames

    # ------------------------------------------------------------------ one cycle
    def cycle(self) -> None:
        """SYNC, collect, monitor, set-points, heartbeat last: a beat means a completed pass of the monitor."""
        period = self.setup.period_ns
        frames, self._backlog = self._backlog, []
        if self.link.now_ns() < self._next:
            frames += self._collect(self._next)
        late = self.link.now_ns() - self._next
        if late >= period:
            slots = late // period
            self._next += slots * period
            late -= slots * period
            if self.powered:
                self._missed += slots
            self.state = self.state._replace(cycle=self.state.cycle + slots)
        if self.powered:
            self._lateness.append(late)
        start = self._next
        self._next = start + period
        self.link.send(self._sync)
        # An answer that comes after its own cycle is late, which the monitor judges, and not lost.
        frames += self._collect(start + period * 6 // 10)
        self._expected += len(self._fast)
        self._arrived += len([1 for frame in frames if frame[1] in self._fast])
        self._watch(frames)
        if self._grant is not None and (self.state.reaction is None or self.state.reaction > Reaction.STOP_THEN_OFF):
            self._set_points(start + 2 * period)
        else:
            self._sent.append(None)
        if self.beating and not self.state.silent and start >= self._beat_due:
            self.link.send(HEARTBEAT)
            self._beat_due = start + self.setup.heartbeat_ns

    def _watch(self, frames: list[Frame]) -> None:
        now = self.link.now_ns()
        demand = self._sent[0] if self._grant is not None else None
        self.state, stop_frames, reasons = step(now, frames, self.state._replace(demand=demand), self.rules)
        if reasons:
            seen = {(reason.rule, reason.subject) for reason in self.reasons}
            self.reasons += reasons
            self.ledger.revoke(str(reasons[0]))
            for reason in reasons:
                if (reason.rule, reason.subject) not in seen:  # a reason stands in every pass until the leg is off
                    self._events(f"{reason.reaction.name.lower().replace('_', ' ')}: {reason}")
            if self.state.reaction == Reaction.LOWER_THEN_OFF and self._grant is not None:
                self._begin_lowering()
        for frame in stop_frames:
            self.link.send(frame)

    def _set_points(self, instant_ns: int) -> None:
        player, grant = self._player, self._grant
        if player is None or grant is None:
            return
        row = player.at(instant_ns)
        for index in grant.axes:
            can_id, encode = self._encoders[index]
            self.send(Frame(0, can_id, encode(row[index])))
        self._sent.append(row)
        if instant_ns > player.void_ns and self.state.reaction is None:
            self._begin_lowering()
            self.state = self.state._replace(reaction=Reaction.LOWER_THEN_OFF)
            self._events("lower then off: the hold after a stretch has ended and no further motion was asked for")

    def demand(self) -> tuple[Point, ...]:
        """The set-points sent last. Raises NotPermitted when the leg is not powered."""
        row = self._sent[-1]
        if row is None:
            raise NotPermitted("the leg is not energised")
        return row

    # ------------------------------------------------------------------ power
    def energise(self, key: Permit, cap_Nm: float | None = None) -> None:
        """Enable the axes of a key at their present positions, watching each step.

        cap_Nm: torque cap while enabling; None = the key's own. Raises NotPermitted, LegStopped, DriveError.
        """
        grant = self.ledger.grant(key, self.link.now_ns())
        if self.state.reaction is not None:
            raise NotPermitted("the leg was stopped; the pre-check must pass again")
        for index in grant.axes:
            self.access.write(index, self.setup.arm[index])
        self.settle()
        caps = grant.torque_Nm if cap_Nm is None else (cap_Nm,) * len(grant.torque_Nm)
        row = tuple(Point(axis.position, 0.0, cap) for axis, cap in zip(self.state.axes, caps, strict=True))
        self._rest = tuple(point.position_rad for point in row)
        self._grant, self._sent = grant, deque([row, row], 2)
        self._player = Player(Stretch(self.rules.names, (0,), (row,), 10**12), self._next)
        self.beating, self._beat_due = True, 0
        self.state = self.state._replace(grant=grant if cap_Nm is None else None, enabled=False)
        try:
            self._enable(grant)
        except BaseException as error:
            self.stop(Reaction.STOP_THEN_OFF, f"{type(error).__name__} while enabling")
            raise

    def _enable(self, grant: Grant) -> None:
        """The enable sequence of every axis, step by step together."""
        self.run(2)
        for number in range(max(len(self.setup.axes[index].enable) for index in grant.axes)):
            steps = {index: self.setup.axes[index].enable[number] for index in grant.axes}
            end = self.link.now_ns() + max(enable.timeout_ns for enable in steps.values())
            while waiting := [s for i, s in steps.items() if s.value != self.state.axes[i].status & s.mask]:
                if self.link.now_ns() > end:
                    raise DriveError(self._not_enabled(number, steps))
                for enable in waiting:  # said again when it or its confirmation was lost
                    self.send(enable.frame)
                self.run(CONFIRM_CYCLES)
        self.state = self.state._replace(enabled=True)
        if self._player is not None:
            self._player.void_ns = self.link.now_ns() + 500_000_000

    def _not_enabled(self, number: int, axes: Iterable[int]) -> str:
        words = ", ".join(f"{self.rules.names[i]} 0x{self.state.axes[i].status:04X}" for i in axes)
        return f"step {number + 1} of enabling was not confirmed; statuswords: {words}"

    def play(self, stretch: Stretch, key: Permit) -> None:
        """Replace what is left of the motion; see Port.play."""
        grant = self.ledger.grant(key, self.link.now_ns())
        if grant is not self._grant:
            raise NotPermitted("the leg is not energised under this permit")
        if self.link.now_ns() + stretch.duration_ns > grant.end_ns:
            raise NotPermitted("the motion would outlast its permit")
        check(stretch, grant, self.rules, self.demand, self.state.homed, self._keep_up)
        self._player = Player(stretch, self._next + self.setup.period_ns)

    def _begin_lowering(self) -> None:
        """Go back, slowly and straight in actuator space, to where the unpowered leg rested before.

        It is begun once, however often it is asked for, and may be ended after the permit's own end.
        """
        if self._grant is None or (self._lowering is not None and self._lowering is self._player):
            return
        path = lowering(self.setup, self.demand(), self._rest, self.state.homed)
        self._player = self._lowering = Player(path, self._next + self.setup.period_ns)
        end = self._player.end_ns + 4 * self.setup.period_ns
        self._grant = self._grant._replace(end_ns=max(end, self._grant.end_ns))

    def lower_and_off(self) -> None:
        """The normal end of a powered phase. Raises LegStopped when the monitor had to step in."""
        if not self.powered:
            return
        if self.state.reaction is None:
            self._begin_lowering()
            end = (self._player.end_ns if self._player else 0) + 4 * self.setup.period_ns
            while self.link.now_ns() < end and self.state.reaction is None:
                self.cycle()
        self._power_off()
        self._raise_if_stopped()

    def _power_off(self) -> None:
        """Stop frames every cycle until every axis says it is off; then disarm. Never raises."""
        lowering_end = self._player.end_ns if self._player else 0
        while self.state.reaction == Reaction.LOWER_THEN_OFF and self.link.now_ns() < lowering_end:
            self.cycle()
        asked = self.state.reaction
        if asked is None or asked == Reaction.LOWER_THEN_OFF:
            self._begin_stop(Reaction.STOP_THEN_OFF)
        self.state = self.state._replace(enabled=False)
        give_up = self.link.now_ns() + GIVE_UP_NS
        while self.link.now_ns() < give_up and not (self._all_off() and self._sent[1] is None):
            self.cycle()
        self._grant, self._player, self._lowering = None, None, None
        self.beating = False
        self.state = self.state._replace(grant=None, reaction=asked if self.reasons else None)
        if self._all_off():
            self._disarm()
        else:
            self._events("a drive did not confirm that it is off: PRESS THE EMERGENCY STOP")

    def _begin_stop(self, reaction: Reaction) -> None:
        speed = max(abs(axis.velocity) for axis in self.state.axes)
        until = self.link.now_ns() + self.rules.confirm_ns(reaction, speed)
        self.state = self.state._replace(reaction=reaction, until_ns=until)

    def _disarm(self) -> None:
        proving = self.state.proving
        # No beat leaves meanwhile: a drive whose turn comes late may say that it misses us.
        self.state = self.state._replace(proving=tuple(range(len(self.setup.axes))))
        for index, write in enumerate(self.setup.disarm):
            try:
                self.access.write(index, write)
            except LegtestError as error:
                self._events(f"{self.rules.names[index]} still watches our heartbeat: {error}")
        self.cycle()
        self.state = self.state._replace(proving=proving)

    def _all_off(self) -> bool:
        return all(
            axis.is_off.holds(state.status) and self.state.cycle - state.sampled <= 1
            for axis, state in zip(self.setup.axes, self.state.axes, strict=True)
        )

    def stop(self, reaction: Reaction, why: str) -> None:
        """Bring the leg to rest now. Idempotent; never raises."""
        if not self.powered:
            return
        self._events(f"{reaction.name.lower().replace('_', ' ')}: {why}")
        try:
            if reaction == Reaction.LOWER_THEN_OFF and self.state.reaction is None:
                self._begin_lowering()
                self.state = self.state._replace(reaction=reaction)
            elif self.state.reaction is None or reaction < self.state.reaction:
                self._begin_stop(reaction)
            self._power_off()
        except LegtestError as error:
            self.beating = False
            self._events(f"the stop could not be carried out by the host: {error}; the drives act by themselves")

    # ------------------------------------------------------------------ waiting
    def run(self, cycles: int) -> None:
        """So many cycles. Raises LegStopped once a stop has been carried out."""
        for _ in range(cycles):
            self.cycle()
            if self.state.reaction is not None and self.powered:
                self._power_off()
                self._raise_if_stopped()

    def settle(self) -> None:
        """Let a limp leg come to rest: a swinging one would be jerked back to where it was last seen.

        Gives up after a while; the monitor judges what still moves then.
        """
        window = max(2, REST_WINDOW_NS // self.setup.period_ns)
        give_up = self.link.now_ns() + REST_GIVE_UP_NS
        while self.link.now_ns() < give_up:
            seen = []
            for _ in range(window):
                self.run(1)
                seen.append([axis.position for axis in self.state.axes])
            if all(max(track) - min(track) < REST_RAD for track in zip(*seen, strict=True)):
                return

    def _keep_up(self) -> None:
        """The cycle that has come due while somebody computed; simulated time stands still meanwhile."""
        if self.powered and self.link.now_ns() >= self._next:
            self.run(1)

    def pump(self, until_ns: int) -> list[Frame]:
        """Cycles until the instant; every frame since the last call. Raises LegStopped, BusLost."""
        self._keep_up()
        while self.link.now_ns() < until_ns:
            self.run(1)
        frames, self.outbox = self.outbox, []
        return frames

    def _raise_if_stopped(self) -> None:
        told: dict[tuple[str, str], Reason] = {}  # each as it was first seen
        for reason in self.reasons:
            told.setdefault((reason.rule, reason.subject), reason)
        if told:
            raise LegStopped("the leg was stopped: " + "; ".join(map(str, told.values())))

    def listen(self, span_ns: int) -> list[Frame]:
        """Send nothing for a while; what was heard (the monitor sees it with the next cycle)."""
        frames = self._collect(self.link.now_ns() + span_ns)
        self._backlog += frames
        return frames

    def forget(self) -> None:
        """Drop what was heard while listening: looked at already, by the pre-check."""
        self._backlog = []

    # ------------------------------------------------------------------ home
    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        """Tell each unpowered drive its actuator angle; see Port.set_home.

        The drive takes it in its homing mode, which needs it enabled: done with a torque cap of zero.
        """
        grant = self.ledger.grant(key, self.link.now_ns())
        homes = [axis.home for axis in self.setup.axes]
        if self.powered or grant.kind != "motion" or set(positions_rad) != set(self.rules.names):
            raise NotPermitted("home is set for all axes at once, unpowered, under a motion permit")
        self.state = self.state._replace(homed=False)
        for index, (axis, home) in enumerate(zip(self.setup.axes, homes, strict=True)):
            if home is None:
                raise NotPermitted(f"{axis.axis} cannot be told its position")
            raw = round(positions_rad[axis.axis] / axis.position_signal().scale)
            offset = ObjectWrite(home.position_index, 0, home.position_size, raw, "home offset")
            for write in (*home.before, offset):
                self.access.write(index, write)
        try:
            self.energise(key, cap_Nm=0.0)
            self._take_home(homes)
            self._power_off()
        finally:
            self.stop(Reaction.STOP_THEN_OFF, "setting home was cut short")
            for index, home in enumerate(homes):
                for write in home.after if home else ():
                    self.access.write(index, write)
        self.run(2)
        self.state = self.state._replace(homed=True)

    def _take_home(self, homes: Sequence[HomeSetting | None]) -> None:
        """Start homing and wait until each drive confirms it."""
        end = self.link.now_ns() + GIVE_UP_NS
        while waiting := [h for h, a in zip(homes, self.state.axes, strict=True) if h and not h.done.holds(a.status)]:
            if self.link.now_ns() > end or not self.powered:
                raise DriveError("a drive did not confirm its home position")
            for frame in (frame for home in waiting for frame in home.start):
                self.send(frame)
            self.run(CONFIRM_CYCLES)

    # ------------------------------------------------------------------ timing
    def reset_timing(self) -> None:
        self._lateness: list[int] = []
        self._missed = self._expected = self._arrived = 0

    def timing(self) -> TimingCounts:
        """Timing since the last call."""
        lost = max(0, self._expected - self._arrived)
        counts = TimingCounts(tuple(self._lateness), self._missed, lost, self._expected)
        self.reset_timing()
        return counts
