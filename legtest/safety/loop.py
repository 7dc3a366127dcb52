"""Power and motion on top of the control cycle: energise, play, lower, stop. In the test's process or in a keeper."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import DriveError, LegStopped, LegtestError, NotPermitted
from legtest.safety.cycle import PRESS, Cycle
from legtest.safety.home import set_home
from legtest.safety.monitor import Reason
from legtest.safety.permit import Grant, Permit
from legtest.safety.player import Player, check
from legtest.safety.stretch import Stretch

GIVE_UP_NS = 1_500_000_000
IDLE_NS = 500_000_000  # that an energised leg waits for its first motion
CONFIRM_CYCLES = 2
PROOF_NS = 100_000_000  # for a node to enter another state before it is asked
REST_RAD = 0.002
REST_WINDOW_NS = 100_000_000
REST_GIVE_UP_NS = 5_000_000_000
FOR_EVER_NS = 10**12


class Loop(Cycle):
    """The loop of one leg; see Cycle for what it is made from."""

    # ------------------------------------------------------------------ power on
    def begin_anew(self) -> None:
        """Forget the stop of an earlier pre-check's time; only a new pre-check may."""
        self.reasons, self.cause, self.intruder = (), None, ""
        self.state = self.state._replace(reaction=None, homed=False, silent=False, proving=())

    def energise(self, key: Permit) -> None:
        """Enable the axes of a key at their present positions, watching each step.

        Raises NotPermitted, LegStopped, DriveError.
        """
        self.power_up(self.ledger.grant(key, self.link.now_ns()))

    def power_up(self, grant: Grant, homing: bool = False) -> None:
        """Enable the axes of a grant that the ledger has answered. homing: the drives are told their zero meanwhile."""
        self._check_ready()
        for index in grant.axes:
            if (arm := self.setup.arm[index]) is not None:
                self.access.write(index, arm)
        self.settle()
        if not self.ledger.live:
            raise NotPermitted("the permit became void while the leg came to rest")
        cycle = self.state.cycle  # what comes seldom may have come before a long rest
        axes = tuple(axis._replace(supply_at=cycle, temperature_at=cycle) for axis in self.state.axes)
        self.state = self.state._replace(axes=axes)
        row = tuple(Point(axis.position, 0.0, cap) for axis, cap in zip(self.state.axes, grant.torque_Nm, strict=True))
        self._rest = tuple(point.position_rad for point in row)
        self._grant, self._sent = grant, deque([row, row], 2)
        self._player = player = Player(Stretch(self.rules.names, (0,), (row,), FOR_EVER_NS), self._next)
        self.beating, self.beat_ns = True, self.link.now_ns() - self.setup.heartbeat_ns
        self._echoes.clear()
        self.state = self.state._replace(enabled=False, homing=homing, said_ns=None)
        try:
            self._enable(grant)
            player.void_ns = self.link.now_ns() + IDLE_NS
        except BaseException as error:
            self.stop(Reaction.STOP_THEN_OFF, f"{type(error).__name__} while enabling")
            raise

    def _check_ready(self) -> None:
        if self.unconfirmed:
            raise NotPermitted(f"a drive has never confirmed that it is off: {PRESS}")
        if self.powered:
            raise NotPermitted("the leg is energised already")
        if self.state.reaction is not None:
            raise NotPermitted("the leg was stopped; the pre-check must pass again")
        if self.unrecorded:
            raise NotPermitted("frames are not recorded any more")
        if self.setup is not self.ledger.setup:
            self.ledger.revoke("the set-up has changed")
            raise NotPermitted("the set-up is not the one that passed the pre-check")

    def _enable(self, grant: Grant) -> None:
        """The enable sequence of every axis, step by step together."""
        self.run(2)
        for number in range(max(len(self.setup.axes[index].enable) for index in grant.axes)):
            steps = {index: self.setup.axes[index].enable[number] for index in grant.axes}
            end = self.link.now_ns() + max(enable.timeout_ns for enable in steps.values())
            while waiting := [s for i, s in steps.items() if s.value != self.state.axes[i].status & s.mask]:
                if self.link.now_ns() > end:
                    raise DriveError(self._not_enabled(number, steps))
                # Said again when it or its confirmation was lost; not while it may stand in the adapter's queue.
                for enable in () if self._queued else waiting:
                    self.send(enable.frame)
                self.run(CONFIRM_CYCLES)
        self.state = self.state._replace(enabled=True)

    def _not_enabled(self, number: int, axes: Iterable[int]) -> str:
        words = ", ".join(f"{self.rules.names[i]} 0x{self.state.axes[i].status:04X}" for i in axes)
        return f"step {number + 1} of enabling was not confirmed; statuswords: {words}"

    # ------------------------------------------------------------------ motion
    def play(self, stretch: Stretch, key: Permit) -> None:
        """Replace what is left of the motion; see Port.play."""
        grant = self.ledger.grant(key, self.link.now_ns())
        if grant is not self._grant:
            raise NotPermitted("the leg is not energised under this permit")
        if self.link.now_ns() + stretch.duration_ns > grant.end_ns:
            raise NotPermitted("the motion would outlast its permit")
        check(stretch, grant, self.rules, self.demand, self.state.homed, self._keep_up)
        self._player = Player(stretch, self._next + self.setup.period_ns)

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        """Tell each unpowered drive its actuator angle; see Port.set_home."""
        set_home(self, positions_rad, key)

    # ------------------------------------------------------------------ power off
    def lower_and_off(self) -> None:
        """The normal end of a powered phase. Raises LegStopped when the monitor had to step in."""
        if self._grant is None:
            return
        if self.state.reaction is None:
            self._begin_lowering()
            end = (self._player.end_ns if self._player else 0) + 4 * self.setup.period_ns
            while self.link.now_ns() < end and self.state.reaction is None:
                self.cycle()
        self.power_off()
        self.raise_if_stopped()

    def stop(self, reaction: Reaction, why: str) -> None:
        """Bring the leg to rest now. Idempotent; raises nothing but an interrupt, and that when the leg is off."""
        if not self.powered:
            return
        try:
            if reaction == Reaction.LOWER_THEN_OFF and self.state.reaction is None:
                self._begin_lowering()
                self.state = self.state._replace(reaction=reaction)
            elif reaction < Reaction.LOWER_THEN_OFF or self.unconfirmed:
                self._stop_now(min(reaction, Reaction.STOP_THEN_OFF))
        finally:
            self._tell(f"{reaction.name.lower().replace('_', ' ')}: {why}")
            self.power_off()

    def power_off(self) -> None:
        """Carry the stop out until every axis says that it is off, then disarm; an interrupt waits until that is done.

        What is not confirmed is given up after a while, and the leg is taken for powered from then on.
        """
        interrupt: BaseException | None = None
        lowering_end = self._player.end_ns if self._player else 0
        give_up = max(lowering_end, self.link.now_ns()) + GIVE_UP_NS
        cycles = (give_up - self.link.now_ns()) // self.setup.period_ns  # time may stand still on a bus that is lost
        for _ in range(1 if self.unconfirmed else cycles):
            if (self._all_off() and self._sent[1] is None) or self.link.now_ns() >= give_up:
                break
            try:
                if self.state.reaction is None or self._lowered(lowering_end):
                    give_up = self.link.now_ns() + GIVE_UP_NS
                    self._stop_now(Reaction.STOP_THEN_OFF)
                if self.state.reaction != Reaction.LOWER_THEN_OFF:
                    self.state = self.state._replace(enabled=False)
                self.cycle()
            except BaseException as error:  # noqa: BLE001
                interrupt = interrupt or error
            if self.lost:
                break
        self._end_power()
        if interrupt is not None and not isinstance(interrupt, LegtestError):
            raise interrupt

    def _lowered(self, end_ns: int) -> bool:
        return self.state.reaction == Reaction.LOWER_THEN_OFF and self.link.now_ns() >= end_ns

    def _end_power(self) -> None:
        """Off, or given up; and nothing may be energised by what was permitted."""
        off = self._all_off() and not self.lost
        if not off and not self.unconfirmed:
            self.unconfirmed = True
            self._object(Reason("stop", "leg", "never confirmed", "every drive off", Reaction.OFF_NOW))
            self._tell(f"a drive did not confirm that it is off; the drives act by themselves, if they can: {PRESS}")
            if any(reason.rule == "adapter" for reason in self.reasons):
                self._close_link()
        self._grant, self._player, self._lowering = None, None, None
        self.beating = False
        if off:
            self.unconfirmed = False
            kept = self.state.reaction if self.reasons else None
            self.state = self.state._replace(grant=None, enabled=False, homing=False, reaction=kept)
            self._disarm()

    def _disarm(self) -> None:
        """No drive needs our heartbeat any more. Raises nothing: one that goes on watching does no harm."""
        proving = self.state.proving
        # No beat leaves meanwhile: a drive whose turn comes late may say that it misses us.
        self.state = self.state._replace(proving=tuple(range(len(self.setup.axes))))
        try:
            for index, write in enumerate(self.setup.disarm):
                if write is not None:
                    self.access.write(index, write)
            self.cycle()
        except Exception as error:  # noqa: BLE001
            self._tell(f"a drive still watches our heartbeat: {error}")
        finally:
            self.state = self.state._replace(proving=proving)

    def _all_off(self) -> bool:
        return not self.state.unsettled and all(
            axis.is_off.holds(state.status) and self.state.cycle - state.sampled <= 1
            for axis, state in zip(self.setup.axes, self.state.axes, strict=True)
        )

    def prove_off(self) -> bool:
        """Whether the drives of a stop that was given up are off after all, by an answer of each that is fresh."""
        self.lost = False
        for _ in range(CONFIRM_CYCLES):
            self.cycle()
        if self.lost:
            return False
        if not self._all_off():
            for axis in self.setup.axes:  # our NMT stop has silenced them; in pre-operational they can be asked
                self.send(Frame(0, 0x000, bytes((0x80, axis.node))))
            self.listen(PROOF_NS)
            for axis in self.setup.axes:
                if axis.status_object is None:
                    return False
                status = int.from_bytes(self.access.read(axis.node, *axis.status_object), "little")
                if not axis.is_off.holds(status):
                    return False
        self.unconfirmed = False
        self._tell("every drive has said that it is off")
        return True

    # ------------------------------------------------------------------ waiting
    def run(self, cycles: int) -> None:
        """So many cycles. Raises LegStopped once a stop has been carried out."""
        for _ in range(cycles):
            self.cycle()
            if self.state.reaction is not None and self._grant is not None:
                self.power_off()
                self.raise_if_stopped()
            elif self.unconfirmed and self.lost:
                self.raise_if_stopped()

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

    def raise_if_stopped(self) -> None:
        """Raises LegStopped with every reason there is."""
        told: dict[tuple[str, str], Reason] = {}  # each as it was first seen
        for reason in self.reasons:
            told.setdefault((reason.rule, reason.subject), reason)
        if told:
            press = f"{PRESS} and keep away, a drive may still be on. " if self.unconfirmed else ""
            raise LegStopped(f"{press}the leg was stopped: " + "; ".join(map(str, told.values()))) from self.cause
