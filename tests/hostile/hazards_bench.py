"""The scene of an attempt: the campaign's leg with something to strike it, and what nothing may do afterwards.

The leg is plain bodies behind the simulation's own drives on the virtual bus, moved by the real loop through its port.
Judges are the observer of the wire, and `Scene.extra` for what an attempt alone can know.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from random import Random

from legtest.campaign.leg import CampaignLeg, described
from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.description.model import LegDescription
from legtest.errors import LegtestError
from legtest.safety.direct import DirectPort
from legtest.safety.permit import Grant, Permit
from legtest.safety.setup import Setup
from legtest.safety.stretch import Stretch
from legtest.simulation.bus import BusPort
from legtest.simulation.node import DriveNode

LEG = Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-fl.yaml"
MS, S = 1_000_000, 1_000_000_000
RATES = (60.0, 250.0)
PERMIT_NS = 600 * S


def as_it_is(setup: Setup) -> Setup:
    return setup


class Scene(CampaignLeg):
    """One leg at one control rate; everything that is drawn comes from one seed.

    change: makes the loop's set-up a wrong one. serials: by axis, of drives that are others than the leg file says.
    node_ids: by axis, of drives that are connected as others. extra: what was broken beside the observer's invariants.
    """

    def __init__(
        self,
        rate_hz: float,
        seed: int | str,
        *,
        change: Callable[[Setup], Setup] = as_it_is,
        identity: dict[int, dict[str, int]] | None = None,
        node_ids: dict[int, int] | None = None,
    ) -> None:
        leg, setup, plan = described(str(LEG), rate_hz)
        self._identity, self._node_ids = identity or {}, node_ids or {}
        super().__init__(leg, change(setup), plan, Random(seed))
        self.rate_hz, self.seed = rate_hz, seed
        self.port = DirectPort(self.loop, lambda: "")
        self.extra: list[str] = []
        self.said: list[str] = []
        self.key: Permit | None = None
        self.forbidden_ns: int | None = None
        self.dated_by_wall_clock = False
        self.told: set[str] = set()
        self.way: tuple[float, ...] = ()
        self.stranger: BusPort = self.bus.attach(lambda frame: None)

    def _node(self, leg: LegDescription, index: int) -> DriveNode:
        joints = list(leg.joints)
        if index in self._node_ids:
            joints[index] = replace(joints[index], drive=replace(joints[index].drive, node=self._node_ids[index]))
        node = super()._node(replace(leg, joints=tuple(joints)), index)
        for name, number in self._identity.get(index, {}).items():
            node._dictionary.set(0x1018, ("vendor", "product", "revision", "serial").index(name) + 1, number)
        return node

    # ------------------------------------------------------------------ the usual course
    @property
    def period_ns(self) -> int:
        return self.plan.period_ns

    def unpowered(self) -> None:
        """The drives boot, then the steps of the pre-check that need no power."""
        self.wait(50 * MS)
        self.port.scan()

    def powered(self) -> None:
        """Home and energised, by a permit straight from the ledger, at rest."""
        self.unpowered()
        now, everyone = self.now, tuple(range(len(self.bodies)))
        with self.loop.ledger.precheck():
            self.key = self.loop.ledger.issue(Grant("motion", everyone, self.setup.torque_Nm, now + PERMIT_NS), now)
        self.port.set_home(dict.fromkeys(self.loop.rules.names, 0.0), self.key)
        self.port.energise(self.key)

    def in_motion(self, speeds: tuple[float, ...] | None = None, seconds: float = 1.0, cap_Nm: float = 18.0) -> None:
        """All axes move at constant speeds (rad/s)."""
        self.powered()
        self.sweep(speeds or tuple(self.random.uniform(0.5, 0.7) * sense for sense in (-1, 1, -1)), seconds, cap_Nm)

    def sweep(self, speeds: Iterable[float], seconds: float, cap_Nm: float = 18.0) -> None:
        """From the demand in force, each axis at a constant speed."""
        assert self.key is not None
        start, count = self.loop.demand(), max(2, round(seconds * S / self.period_ns))
        self.way = tuple(speeds)
        ends = [p.position_rad + v * count * self.period_ns * 1e-9 for p, v in zip(start, self.way, strict=True)]
        rows = (
            tuple(Point(p.position_rad, 0.0, cap_Nm) for p in start),
            tuple(Point(end, 0.0, cap_Nm) for end in ends),
        )
        self.port.play(Stretch(self.loop.rules.names, (0, count * self.period_ns), rows, 8 * S), self.key)

    def strike(self, blow: Callable[[int], None], after_s: float = 0.25) -> None:
        """Let it happen after about so long, anywhere within a cycle."""
        at = self.now + round(after_s * S) + self.random.randrange(self.period_ns)
        self.bus.at(at, blow)

    def when(self, so: Callable[[], bool], then: Callable[[], None]) -> None:
        """Look every millisecond, and act once."""

        def look(t_ns: int) -> None:
            for body in self.bodies:
                body.advance(t_ns)
            if so():
                then()
            else:
                self.bus.at(t_ns + MS, look)

        look(self.now)

    def run(self, seconds: float) -> None:
        """The host goes on; what it says is kept."""
        end = self.now + round(seconds * S)
        while self.now < end:
            before = self.now
            self.attempt(lambda: self.port.pump(end))
            if self.now == before:
                self.wait(self.period_ns)  # a host without its bus waits as well

    def attempt(self, call: Callable[[], object]) -> bool:
        """Whether a call went through; a refusal is kept."""
        try:
            call()
        except LegtestError as error:
            self.said.append(str(error))
            return False
        return True

    # ------------------------------------------------------------------ what is told to the judges
    def violates(self, what: str, expected: str = "stop", samples: int = 1, extra_ns: int = 0) -> None:
        """From now on the leg must stop. samples: how many cycles of telemetry the host needs to know.

        The budget is that of the safety case: samples and a host period, half a millisecond of lateness, the frames
        before a stop, a millisecond in the drive.
        """
        within = (samples + 1) * self.period_ns + self.plan.bus_ns + 1_500_000 + extra_ns
        self.observer.violation(self.now, what, expected, within)  # type: ignore[arg-type]
        self.told.add(what)

    def forbid(self) -> None:
        """From now on nothing at all may be energised or moved."""
        self.forbidden_ns = self.now

    def hampered(self, span_ns: int) -> None:
        """For so long nothing of the host's can leave."""
        self.observer.hampered(self.now, self.now + span_ns)

    # ------------------------------------------------------------------ the end
    def aftermath(self) -> None:
        """Whatever is tried after a stop, nothing energises and nothing old arrives."""
        self.port.stop(Reaction.STOP_THEN_OFF, "the attempt is over")
        since = self.forbidden_ns if self.forbidden_ns is not None else self.now
        table = Stretch(self.loop.rules.names, (0,), ((Point(0.0, 0.0, 1.0),) * 3,))
        key = self.key or Permit(bytes(16), "motion")
        doors: dict[str, Callable[[], object]] = {
            "energise": lambda: self.port.energise(key),
            "play": lambda: self.port.play(table, key),
            "set_home": lambda: self.port.set_home(dict.fromkeys(self.loop.rules.names, 0.0), key),
            "controlword": lambda: self.loop.send(Frame(0, 0x201, b"\x0f\x00")),
            "set-point": lambda: self.loop.send(Frame(0, 0x301, bytes(8))),
            "fault reset": lambda: self.loop.send(Frame(0, 0x202, b"\x80\x00")),
        }
        for name, door in doors.items():
            if self.attempt(door):
                self.extra.append(f"{name} went through after the stop")
        self.run(0.2)
        for frame in self.wire:
            if frame.t_ns > since and energises(frame):
                self.extra.append(f"0x{frame.can_id:03X}#{frame.data.hex()} left although nothing may be energised")
                break

    def close(self) -> None:
        """Judge what is still due."""
        self.observer.end(self.now)

    @property
    def broken(self) -> list[str]:
        return self.observer.broken + self.extra

    @property
    def words(self) -> str:
        """All that the host said: refusals, reasons of stops, events."""
        return "\n".join(self.said + self.events)


def energises(frame: Frame) -> bool:
    """Written from CiA 301 and CiA 402 alone: a controlword on the way to torque, a fault reset, a set-point."""
    if not frame.flags & SENT:
        return False
    if 0x201 <= frame.can_id <= 0x27F:
        word = int.from_bytes(frame.data, "little")
        return word & 0x06 == 0x06 or bool(word & 0x80)
    if 0x601 <= frame.can_id <= 0x67F and len(frame.data) == 8 and frame.data[0] >> 5 == 1:
        return int.from_bytes(frame.data[1:3], "little") in (0x6040, 0x607A, 0x6071, 0x60B2)
    return 0x301 <= frame.can_id <= 0x37F
