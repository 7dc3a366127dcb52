"""What the monitor remembers from pass to pass, and what it answers with: plain data."""

from __future__ import annotations

from typing import NamedTuple

from legtest.canbus.wiremap import Point, Reaction
from legtest.safety.permit import Grant

RECENT_CYCLES = 4  # one more than a frame may stand in the adapter before that alone is a reason to stop


class Still(NamedTuple):
    """An answer that does not change: its bytes, how many samples in a row they were the same, the demand at first."""

    raw: bytes = b""
    samples: int = 0
    demand_rad: float = 0.0


class Slip(NamedTuple):
    """Motion by position against motion by the drive's velocity, since the last velocity frame.

    residual_rad: what the two disagree by beyond what their bound explains, summed up and slowly forgotten; doubts:
    velocity frames in a row at which that was too much.
    """

    cycle: int = -1
    position_rad: float = 0.0
    velocity_rad_s: float = 0.0
    residual_rad: float = 0.0
    doubts: int = 0


class Warm(NamedTuple):
    """The temperature that the next rate is measured from, and the last rate; t_ns = -1: none yet."""

    t_ns: int = -1
    celsius: float = 0.0
    rate_K_s: float = 0.0


class Push(NamedTuple):
    """Where demand and joint were when the torque became large; cycle = -1: it is not."""

    cycle: int = -1
    demand_rad: float = 0.0
    position_rad: float = 0.0


class AxisState(NamedTuple):
    """Last known of one axis, at the actuator.

    sampled: the cycle whose SYNC took the last position; -1 = none yet. velocity: between the last two samples; steady:
    the middle one of the last three velocities, which are in trail. over: samples in a row above the torque cap.
    """

    status: int = 0
    position: float = 0.0
    velocity: float = 0.0
    torque: float = 0.0
    temperature: float | None = None
    supply: float | None = None
    sampled: int = -1
    over: int = 0
    steady: float = 0.0
    trail: tuple[float, ...] = ()
    still: Still = Still()
    slip: Slip = Slip()
    warm: Warm = Warm()
    push: Push = Push()
    supply_at: int = -1
    temperature_at: int = -1


class MonitorState(NamedTuple):
    """grant: what is permitted now, None = nothing may be energised. enabled: the enable sequence is complete.

    keyed: a permit is alive, whether it is in use or not. demand: set-points in force at this instant; asked: those a
    pass before. homing: the drives are being told their zero, at no torque. proving: axes whose reaction to lost
    communication is being proven. reaction: the stop being carried out; until_ns: when it must be confirmed; slowest:
    the least speed of what is under power since it began to act, -1 = not yet. silent: no heartbeat any more. strained:
    samples in a row above the power. errors_ns: instants of the last error frames. unconfirmed: a stop was given up, so
    the leg may be powered without a grant. acted: the cycle in which a frame that energises left last;
    said_ns: since when the adapter has taken every stop frame, -1 = it has not, None = none was sent.
    """

    cycle: int
    axes: tuple[AxisState, ...]
    last_ns: int
    grant: Grant | None = None
    enabled: bool = False
    keyed: bool = False
    demand: tuple[Point, ...] | None = None
    asked: tuple[Point, ...] | None = None
    homed: bool = False
    homing: bool = False
    proving: tuple[int, ...] = ()
    reaction: Reaction | None = None
    until_ns: int = 0
    slowest: float = -1.0
    silent: bool = False
    strained: int = 0
    errors_ns: tuple[int, ...] = ()
    unconfirmed: bool = False
    acted: int = -RECENT_CYCLES - 1
    said_ns: int | None = None

    @property
    def unsettled(self) -> bool:
        """Whether a drive that says it is off may be about to follow what energises it."""
        return self.cycle - self.acted <= RECENT_CYCLES


class Reason(NamedTuple):
    """Why the leg is stopped: the rule, the axis or joint, what was seen, what is allowed, and how it is stopped."""

    rule: str
    subject: str
    value: str
    limit: str
    reaction: Reaction

    def __str__(self) -> str:
        return f"{self.rule}, {self.subject}: {self.value}, allowed {self.limit}"


def initial(axes: int, now_ns: int) -> MonitorState:
    """The state before anything was seen."""
    return MonitorState(0, tuple(AxisState() for _ in range(axes)), now_ns)
