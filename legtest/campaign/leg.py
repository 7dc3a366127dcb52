"""One leg of the campaign: plain bodies, the simulation's drives, the virtual bus, the real loop, and the observer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from random import Random
from typing import Any

from legtest.campaign.adapter import Adapter
from legtest.campaign.drive import Drive
from legtest.campaign.mechanics import Body, bodies
from legtest.campaign.observer import Observer, WirePlan
from legtest.campaign.plan import plan_of
from legtest.canbus.frame import SENT, Frame
from legtest.description import read_leg
from legtest.description.model import BenchDescription, LegDescription
from legtest.safety.loop import Loop
from legtest.safety.permit import Grant, Permit
from legtest.safety.setup import Setup
from legtest.simulation.bus import VirtualBus
from legtest.simulation.node import DriveConfig, Identity
from legtest.wiring import setup_of

MS = 1_000_000
SUPPLY_V = 24.0
FOR_GOOD_NS = 10_000_000_000  # longer than any run


@cache
def described(path: str, rate_hz: float) -> tuple[LegDescription, Setup, WirePlan]:
    """A leg file at a control rate on the usual bench: its description, the loop's set-up, the observer's plan."""
    from legtest.description import default_bench

    leg = read_leg(path)
    bench: BenchDescription = replace(default_bench(), rate_hz=rate_hz)
    return leg, setup_of(leg, bench), plan_of(leg, bench)


class CampaignLeg:
    """Everything of one run. edge: told of what happens, by name, so that faults can be hung on it.

    Edges: "enable" (a stage comes on), "stop" (the first stop frame after it), "frame" (a drive's answer).
    """

    def __init__(self, leg: LegDescription, setup: Setup, plan: WirePlan, random: Random) -> None:
        self.setup, self.plan, self.random = setup, plan, random
        self.bus = VirtualBus(setup.bit_rate)
        self.observer = Observer(plan, permits="told", judged_by="delivery")
        gains = [(j.drive.stiffness_Nm_per_rad, j.drive.damping_Nms_per_rad) for j in leg.joints]
        self.bodies: list[Body] = bodies(len(leg.joints), random, gains, random.choice((2e-5, 1e-4, 3e-4)), SUPPLY_V)
        for index, body in enumerate(self.bodies):
            body.switched = self._switched(index)
        self.nodes = [self._node(leg, i) for i in range(len(leg.joints))]
        self.edge: Callable[[str], None] = lambda name: None
        self.chance = Random(random.random())
        self.supply_V = SUPPLY_V
        self.permit_ns = 600_000_000_000
        self.exaggerate, self.forgetful = 1.0, False
        self.host_answer = ""
        self.event_fails: Exception | None = None
        self.permitted: Callable[[], None] = lambda: None
        self.undo: list[Callable[[], None]] = []
        self._asked: list[Callable[[], None]] = []
        self.wire: list[Frame] = []
        self.events: list[str] = []
        self.link = Adapter(self.bus, self.observer, self._watch)
        self.log = Log(lambda: self.observer.violation(self.now, "disk full", "lower"))
        self.loop = Loop(self.link, setup, self.log, self._event, self._host)
        self._tell_permits()
        self._stopped = True

    def _node(self, leg: LegDescription, index: int) -> Drive:
        drive, want = leg.joints[index].drive, self.setup.identity[index]
        config = DriveConfig(
            counts_per_turn=drive.counts_per_turn, rated_torque_Nm=drive.rated_torque_Nm, sign=drive.sign,
            peak_torque_Nm=leg.joints[index].torque_Nm, supply_min_V=16.0, winding_max_C=120.0,
        )  # fmt: skip
        numbers = (want.vendor or 0, want.product or 0, want.revision or 0, want.serial or 0)
        return Drive(self.bus, drive.node, self.bodies[index], Identity(*numbers), config)

    def _event(self, text: str) -> None:
        if self.event_fails is not None:
            error, self.event_fails = self.event_fails, None
            self.observer.violation(self.now, "event log fails", "lower")
            raise error
        self.events.append(text)

    def _host(self, now_ns: int) -> str:
        return self.host_answer

    def _tell_permits(self) -> None:
        """The campaign stands on the loop's side: it knows of every permit as the ledger does."""
        issue, revoke = self.loop.ledger.issue, self.loop.ledger.revoke

        def told(grant: Grant, now_ns: int) -> Permit:
            key = issue(grant, now_ns)
            self.observer.permit(now_ns, grant.axes, grant.torque_Nm, grant.end_ns)
            self.permitted()
            return key

        def voided(reason: str) -> None:
            self.observer.void(self.bus.now_ns)
            revoke(reason)

        self.loop.ledger.issue = told  # type: ignore[method-assign]
        self.loop.ledger.revoke = voided  # type: ignore[method-assign]

    # ------------------------------------------------------------------ what is seen
    def _switched(self, index: int) -> Callable[[int, bool], None]:
        def switched(t_ns: int, on: bool) -> None:
            body = self.bodies[index]
            self.observer.truth(t_ns, index, body.position, body.torque, 0x27 if on else 0x40)
            if on:
                self._stopped = False
                self.edge("enable")

        return switched

    def look(self) -> None:
        """Tell the observer where everything really is."""
        now = self.bus.now_ns
        for index, body in enumerate(self.bodies):
            body.advance(now)
            self.observer.truth(now, index, body.position, body.torque, 0x27 if body.on else 0x40)

    def _watch(self, frame: Frame) -> None:
        self.wire.append(frame)
        by_host = bool(frame.flags & SENT)
        if by_host:
            kind = frame.can_id & 0x780
            if frame.can_id == self.setup.sync_id or kind == 0x200:
                self.look()
            if kind == 0x200 and not frame.data[0] & 0x04 and not self._stopped:
                self._stopped = True
                self.edge("stop")
        elif 0x180 < frame.can_id < 0x200:
            self.edge("frame")
        self.observer.frame(frame, by_host)

    # ------------------------------------------------------------------ what is done
    @property
    def now(self) -> int:
        return self.bus.now_ns

    def wait(self, span_ns: int) -> None:
        """Time passes without the host."""
        self.bus.run(self.bus.now_ns + span_ns)

    def grant(self, span_ns: int) -> Permit:
        """A motion permit straight from the ledger; only inside its own `precheck`."""
        now, axes = self.bus.now_ns, tuple(range(len(self.bodies)))
        return self.loop.ledger.issue(Grant("motion", axes, self.setup.torque_Nm, now + span_ns), now)


    def later(self, span_ns: int, call: Callable[[], None]) -> None:
        """Something that happens by itself after a while."""
        self.bus.at(self.bus.now_ns + span_ns, lambda t_ns: call())

    def ask(self, call: Callable[[], None]) -> None:
        """Something that the user's own thread does as soon as it has its turn."""
        self._asked.append(call)

    def asked(self) -> None:
        """The user's turn. Raises what the user's code raises."""
        while self._asked:
            self._asked.pop(0)()

    # ------------------------------------------------------------------ what faults do to it
    def supply(self, volts: float) -> None:
        """The motor supply of all drives has another voltage."""
        for body in self.bodies:
            body.supply_V = volts

    def plugged(self) -> None:
        """The adapter is back on its bus."""
        self.link.tx = self.link.rx = None
        self.link.flush()

    def gone(self, what: str) -> None:
        """Nothing of the host's will leave any more, whatever else happens."""
        self.observer.hampered(self.now, self.now + FOR_GOOD_NS)
        self.observer.violation(self.now, what, "drives")

    def break_monitor(self, passes: int) -> None:
        """The next passes of the monitor raise."""
        from legtest.safety import cycle

        step, left = vars(cycle)["step"], passes
        self.observer.violation(self.now, "monitor raises", "stop", 2 * self.plan.stop_ns)

        def restore() -> None:
            vars(cycle)["step"] = step

        def broken(now_ns: int, *args: Any) -> Any:
            nonlocal left
            left -= 1
            if left >= 0:
                self.observer.failed_pass(now_ns, last=left == 0 and passes > 1)
                raise ZeroDivisionError("a mistake in the monitor")
            restore()
            return step(now_ns, *args)

        vars(cycle)["step"] = broken
        self.undo.append(restore)

    def break_encoders(self) -> None:
        """No set-point can be made any more."""

        def broken(point: object) -> bytes:
            raise ValueError("a mistake in an encoder")

        self.loop._encoders = [(can_id, broken) for can_id, _ in self.loop._encoders]


class Log:
    """The loop's frame log: forgets, or fails. failed: told when it does."""

    def __init__(self, failed: Callable[[], None]) -> None:
        self.fail: Exception | None = None
        self._failed = failed

    def write(self, data: bytes, /) -> None:
        if self.fail is not None:
            self._failed()
            raise self.fail
