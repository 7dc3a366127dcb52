"""One leg on one stand, as a test sees it: plans motion, hands it to the port, keeps what was recorded.

Nothing here energises by being opened; the first motion does, behind the pre-check that the port runs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction, WireMap, feedback_decoders, setpoint_decoder
from legtest.description.model import BenchDescription, LegDescription
from legtest.description.setup import SetUp
from legtest.errors import LegStopped, NotPermitted, NotRun, UsageError
from legtest.guard import TORQUE_CAPPED, EnergyOrder, GuardedPort, Interruption
from legtest.hands import Hands, Reading, take
from legtest.kinematics import actuators_of_joints, joints_of_actuators
from legtest.metrology.measurement import Measurement
from legtest.recording import Log, Recording
from legtest.records.recorded import Recorded
from legtest.records.segment import Segment, Span
from legtest.safety.permit import Permit
from legtest.safety.port import Port, PrecheckReport
from legtest.safety.stretch import Stretch
from legtest.unpowered import Unpowered

FloatArray = NDArray[np.float64]
SLICE_NS = 500_000_000  # of frames at once
ROWS_AT_ONCE = 200  # about a millisecond of making set-points; then the leg gets the cycle that is due
RENEW_NS = 60_000_000_000  # a permit with less time left than this is renewed before a measurement begins
STILL_S, STILL_RAD = 0.1, 2e-3  # for so long and within so much a leg stands still while an instrument is read
SPARE_NS = 5_000_000_000  # what a permit must last beyond what is to be done under it


class Sample(NamedTuple):
    """The newest telemetry: instant, joint angles and actuator torques in joint order, which axes are at a limit."""

    t_ns: int
    joints_rad: tuple[float, ...]
    torques_Nm: tuple[float, ...]
    at_limit: tuple[bool, ...]


class Bench(Unpowered):
    """One opened bench. Made by `legtest.wiring`; a test gets it from the `bench` fixture."""

    def __init__(
        self,
        leg: LegDescription,
        description: BenchDescription,
        port: Port,
        wiremaps: Sequence[WireMap],
        *,
        sync_id: int,
        period_ns: int,
        speed_rad_s: Sequence[float],
        hands: Hands,
        log: Log,
        by: str,
        interruption: Interruption | None = None,
    ) -> None:
        self.leg, self.description = leg, description
        self.speed_rad_s = tuple(speed_rad_s)
        self.period_ns = period_ns
        self.setup: SetUp = SetUp.CLAMPED
        self.homed = False
        self.prechecks: list[PrecheckReport] = []
        self.energy = EnergyOrder()
        self._port = GuardedPort(port, interruption or Interruption())
        self._hands, self._log, self._by = hands, log, by
        self._wiremaps, self._sync_id = tuple(wiremaps), sync_id
        self._permit: Permit | None = None
        self._permit_end = self._permit_ns = 0
        self._powered = False
        self._recording: Recording | None = None
        self._latest: dict[int, Frame] = {}
        self._demand: FloatArray = np.zeros(len(leg.joints))
        self._caps: tuple[float, ...] = tuple(joint.torque_Nm for joint in leg.joints)
        self._feeds = [(m.position_signal().can_id, feedback_decoders(m)) for m in wiremaps]
        self._commands = [(m.command[0].can_id, setpoint_decoder(m)) for m in wiremaps]
        self._wanted = {can_id for can_id, _ in (*self._feeds, *self._commands)}

    # ------------------------------------------------------------------ power
    @contextmanager
    def energised(self) -> Iterator[None]:
        """Power for the block; leaves by lowering the leg to where it rested, then off.

        The first use runs the pre-check. Compute nothing heavy inside: plan before, evaluate after.
        Raises PrecheckRefused, LegStopped, NotPermitted.
        """
        if self._powered:
            raise UsageError("the leg is energised already: one `with bench.energised()` at a time")
        key = self._key()
        try:
            self._port.energise(key)
            self._powered = True
            self._absorb(self._port.pump(self._port.now_ns()))
            self._read_demand()
            yield
            self._port.lower_and_off()
        except BaseException as error:
            self._port.fail(error)
            raise
        finally:
            self._powered = False
            self._absorb(self._port.pump(self._port.now_ns()))

    def precheck(self) -> None:
        """Run the pre-check unless its permit is still good; it needs the leg free to move. Raises PrecheckRefused."""
        self._key()

    def begin_class(self, energy_class: int, name: str, duration_s: float = 0.0) -> None:
        """Say what comes next: a procedure of an energy class, and about how long it takes.

        Raises NotRun when the class is not allowed here or not yet, and as `reserve`.
        """
        self.energy.begin(energy_class, name)
        self.reserve(duration_s, name)

    def reserve(self, duration_s: float, name: str) -> None:
        """Renew a permit that would end meanwhile, before it begins: no measurement is cut in two.

        Raises NotPermitted when it takes longer than a permit lasts.
        """
        needed = round(duration_s * 1e9) + SPARE_NS
        if self._permit is None or self._powered or self._permit_end - self._port.now_ns() >= needed:
            return
        if needed > self._permit_ns:
            raise NotPermitted(f"{name}: takes {duration_s:g} s, longer than a permit lasts")
        if self.setup is not SetUp.CLAMPED:
            self.arrange(SetUp.CLAMPED)
        self._renew()

    def _key(self, least_ns: int = RENEW_NS) -> Permit:
        """The permit; renewed between two measurements and never within one."""
        if self._permit is not None and (self._powered or self._recording is not None):
            return self._permit
        if self._permit is None or self._permit_end - self._port.now_ns() < least_ns:
            if self.setup is not SetUp.CLAMPED:
                needed = f"the pre-check needs '{SetUp.CLAMPED}', not '{self.setup}'"
                raise NotPermitted(f"{needed}: call bench.precheck() first")
            return self._renew()
        return self._permit

    def _renew(self) -> Permit:
        if self.energy.allowed < TORQUE_CAPPED:
            raise NotRun("this bench is not permitted to apply power")
        now = self._port.now_ns()
        self.homed = False
        self._permit = None
        report = self._port.precheck()
        self._permit, self._permit_end = report.permit, report.end_ns
        self._permit_ns = report.end_ns - self._port.now_ns()
        self.prechecks.append(report)
        self._absorb(self._port.pump(self._port.now_ns()))
        steps = [{"step": s.name, "result": "passed", "value": s.found, "expected": ""} for s in report.steps]
        self._log.precheck(now, {"passed": True, "steps": steps, "duration_ns": report.duration_ns})
        return self._permit

    def now_ns(self) -> int:
        """Nanoseconds since the bus was opened."""
        return self._port.now_ns()

    def keep(self, measurements: Sequence[Measurement]) -> None:
        """Record what was evaluated from the last recording, before anybody judges it."""
        for measurement in measurements:
            self._log.measured(self._port.now_ns(), measurement)

    def stop(self, why: str) -> None:
        """Bring the leg to rest and take the power off; harmless when it is off. Never raises."""
        self._port.stop(Reaction.STOP_THEN_OFF, why)
        self._powered = False

    def close(self) -> None:
        """Power off and let go of the bus."""
        self._port.close()

    def interrupt(self, error: BaseException) -> None:
        """For a signal handler: bring the leg to rest in order, then raise `error`. The bench stays stopped."""
        self._port.interrupt(error)

    @property
    def stopped(self) -> LegStopped | None:
        """Why the leg was stopped, if it was; from then on it stays so."""
        return self._port.stopped

    @property
    def is_ours(self) -> bool:
        """Whether this process opened the bench, and is no forked copy of the one that did."""
        return self._port.is_ours

    def arrange(self, setup: SetUp) -> None:
        """Have leg and stand arranged, unpowered.

        Raises NotRun when nobody is there to do it, UsageError while powered.
        """
        if self._powered:
            raise UsageError(f"'{setup}' is arranged with the power off: leave `with bench.energised()` first")
        if setup is self.setup:
            return
        mass = self.description.known_mass_kg
        if setup is SetUp.MASS and mass is None:
            raise UsageError(f"{self.description.path}: known_mass: this bench names no mass, '{setup}' needs one")
        self._hands.arrange(setup, mass if setup is SetUp.MASS and mass else 0.0)
        self.setup = setup
        self._log.setup(self._port.now_ns(), setup.value, self._by)

    def set_home(self, joints_rad: ArrayLike) -> None:
        """Tell the unpowered drives which joint angles they are at. Raises NotPermitted, DriveError."""
        actuators = actuators_of_joints(self.leg, joints_rad)
        self._port.set_home(dict(zip(self.leg.joint_names, map(float, actuators), strict=True)), self._key(SPARE_NS))
        self._absorb(self._port.pump(self._port.now_ns()))
        self.homed = True

    # ------------------------------------------------------------------ motion
    def stretch(self, joints_rad: ArrayLike, caps_Nm: ArrayLike | None = None) -> Stretch:
        """A table of set-points, one row a control period.

        joints_rad: (rows, joints). caps_Nm: (joints,) or (rows, joints) torque caps of the actuators; None = as before.
        """
        rows = np.atleast_2d(np.asarray(joints_rad, float))
        caps = np.broadcast_to(np.asarray(self._caps if caps_Nm is None else caps_Nm, float), rows.shape)
        actuators = actuators_of_joints(self.leg, rows).tolist()
        points: list[tuple[Point, ...]] = []
        for row, cap_row in zip(actuators, caps.tolist(), strict=True):
            points.append(tuple(Point(position, 0.0, cap) for position, cap in zip(row, cap_row, strict=True)))
            if self._powered and len(points) % ROWS_AT_ONCE == 0:
                self._absorb(self._port.pump(self._port.now_ns()))
        return Stretch(self.leg.joint_names, tuple(i * self.period_ns for i in range(len(points))), tuple(points))

    def path(self, goal_rad: ArrayLike, speed_rad_s: float) -> FloatArray:
        """Rows from the present demand to a goal, every joint together, at most at a speed, gently begun and ended.

        goal_rad: (joints,). Returns (rows, joints), rad.
        """
        goal = np.asarray(goal_rad, float)
        start = self._demand
        span = float(np.max(np.abs(goal - start), initial=0.0))
        count = max(2, int(np.ceil(span / speed_rad_s * 1.5 / (self.period_ns * 1e-9))) + 1)
        s = np.linspace(0.0, 1.0, count)
        return start + np.outer(s * s * (3 - 2 * s), goal - start)

    def move_to(
        self, goal_rad: ArrayLike, speed_rad_s: float = 1.0, caps_Nm: ArrayLike | None = None, label: str = "move"
    ) -> Span:
        """Move every joint smoothly to a goal (joints,), rad; waits until the table is played."""
        return self.follow(self.path(goal_rad, speed_rad_s), caps_Nm, label=label)

    def follow(
        self,
        joints_rad: ArrayLike,
        caps_Nm: ArrayLike | None = None,
        *,
        label: str = "follow",
        until: Callable[[Sample], bool] | None = None,
    ) -> Span:
        """Play a table of joint angles (rows, joints), one row a period, to its end or until `until` is true.

        When `until` ends it, the leg holds the demand of that moment. Returns where in the frame log it lies.
        Raises NotPermitted for a table that must not be played, LegStopped.
        """
        if not self._powered:
            raise NotPermitted("motion needs power: put it inside `with bench.energised()`")
        stretch = self.stretch(joints_rad, caps_Nm)
        self._port.play(stretch, self._key())
        self._absorb(self._port.pump(self._port.now_ns()))  # what came while the table was checked is not of the motion
        first = self._port.frames_seen
        if self._recording is not None:
            self._recording.begin_span(first)
        # The first row acts two periods ahead; four more let the last one be reached and reported.
        end = self._port.now_ns() + stretch.duration_ns + 6 * self.period_ns
        if until is None:
            self._let_pass(end)
        else:
            self._pump_until(end, until)
        self._read_demand()
        span = Span(label, first, self._port.frames_seen)
        if self._recording is not None:
            self._recording.end_span(span)
        return span

    def _pump_until(self, end_ns: int, until: Callable[[Sample], bool]) -> None:
        while (now := self._port.now_ns()) < end_ns:
            # A cycle ends anywhere in the period of a live bus: a whole period more would let every other sample pass.
            self._absorb(self._port.pump(now + self.period_ns // 2))
            if until(self.sample()):
                self._read_demand()
                self._port.play(self.stretch(self._demand), self._key())
                self._absorb(self._port.pump(self._port.now_ns() + 3 * self.period_ns))
                return

    def rest(self, seconds: float) -> None:
        """Let time pass with the power off."""
        if self._powered:
            raise UsageError("`rest` is for a leg without power; `wait` holds a powered one still")
        self._let_pass(self._port.now_ns() + round(seconds * 1e9))

    def _let_pass(self, end_ns: int) -> None:
        while (now := self._port.now_ns()) < end_ns:
            self._absorb(self._port.pump(min(end_ns, now + SLICE_NS)))

    def wait(self, seconds: float, label: str = "wait") -> Span:
        """Hold still, recorded, for so long."""
        rows = max(2, round(seconds * 1e9 / self.period_ns))
        return self.follow(np.tile(self._demand, (rows, 1)), label=label)

    def read(self, quantity: str, joint: str = "") -> Reading:
        """Read an instrument (see `instruments` of the bench file) at standstill, within a recording.

        joint: where it is held, "" where that goes without saying. Raises NotRun for an instrument that the bench has
        not, or nobody to read it; UsageError while the leg moves, or outside a recording.
        """
        if self._recording is None:
            raise UsageError(f"{quantity} is read within `with bench.recording(...)`, or it would be in no record")
        before = self.sample().joints_rad
        (self.wait if self._powered else self.rest)(STILL_S)
        if max(abs(a - b) for a, b in zip(self.sample().joints_rad, before, strict=True)) > STILL_RAD:
            raise UsageError(f"{quantity} is read at standstill, and the leg moves: let it come to rest first")
        reading = take(self._hands, self.description, quantity, joint, self.now_ns())
        self._recording.readings.append(reading)
        return reading

    @property
    def demand_rad(self) -> FloatArray:
        """Joint angles (joints,) of the set-point sent last."""
        return self._demand.copy()

    @property
    def caps_Nm(self) -> tuple[float, ...]:
        """Torque caps of the actuators sent last."""
        return self._caps

    def sample(self) -> Sample:
        """The newest telemetry of every axis. Raises UsageError when there is none yet."""
        positions, torques, limits, t_ns = [], [], [], 0
        for wiremap, (can_id, decoders) in zip(self._wiremaps, self._feeds, strict=True):
            frame = self._latest.get(can_id)
            if frame is None:
                raise UsageError("no telemetry yet: it comes with the first pre-check")
            decoder = decoders[can_id]
            values = dict(zip(decoder.roles, decoder.values(frame.data), strict=True))
            positions.append(values["position"])
            torques.append(values["torque"])
            limits.append(wiremap.at_limit.holds(int(values["statusword"])))
            t_ns = max(t_ns, frame.t_ns)
        joints = joints_of_actuators(self.leg, positions)
        return Sample(t_ns, tuple(map(float, joints)), tuple(torques), tuple(limits))

    # ------------------------------------------------------------------ recording
    @contextmanager
    def recording(self, procedure: str, joint: str | None, method: str, **arguments: Any) -> Iterator[Recording]:
        """Record the block as one segment of the run.

        arguments: plain values (SI, names with unit suffix) that `evaluate` needs. Afterwards `.result` is set.
        """
        if self._recording is not None:
            raise UsageError("one recording at a time")
        if not self._passive:
            self._key()  # the pre-check is no part of a movement
        self._absorb(self._port.pump(self._port.now_ns()))
        kept = self._log.movement()
        recording = self._recording = Recording(self._port.frames_seen, self._wiremaps, self._sync_id, kept)
        self._port.timing(self.period_ns)
        try:
            yield recording
        finally:
            self._recording = None
        self._absorb(self._port.pump(self._port.now_ns()))
        timing = self._port.timing(self.period_ns)
        arguments |= recording.found
        if recording.readings:
            arguments |= {"readings": [reading.plain() for reading in recording.readings]}
        segment = Segment(procedure, joint, arguments, tuple(recording.spans), timing)
        samples = recording.samples()
        recording.result = Recorded.of(segment, self.leg, self._wiremaps, samples, recording.frames())
        self._log.recorded(self._port.now_ns(), recording.result, method)

    def _absorb(self, frames: list[Frame]) -> None:
        if self._recording is not None:
            self._recording.absorb(frames)
        missing = set(self._wanted)
        latest = self._latest
        for frame in reversed(frames):
            if frame.can_id in missing:
                missing.discard(frame.can_id)
                latest[frame.can_id] = frame
                if not missing:
                    break

    def _read_demand(self) -> None:
        """The set-points on the wire are the truth about what was asked last."""
        points = [decode(self._latest[can_id].data) for can_id, decode in self._commands]
        self._demand = joints_of_actuators(self.leg, [point.position_rad for point in points])
        self._caps = tuple(point.torque_cap_Nm for point in points)
