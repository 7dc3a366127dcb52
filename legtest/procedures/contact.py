"""Pressing a joint gently against an end stop, and where exactly it touched.

Contact is a torque at its cap AND standstill. The torque then rises, and the position is extrapolated to no torque, so
that the wind-up of belt and gearbox is not counted as travel. Play is: the motor cannot know it from travel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench, Sample
from legtest.description.model import JointDescription
from legtest.errors import MeasurementInvalid
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

TOUCH, PRESS, BEYOND = "touch", "press", "beyond"
TOUCH_SHARE = 0.7  # of the homing torque, for the approach
STILL_S = 0.05
STILL_RAD = 0.002
TOUCH_S, PRESS_S = 0.1, 0.6
RAMP_END = 2 / 3  # of the press: the torque rises for so long, then it is held and the angle is read
END_SHARE = 0.3  # of the rise, at its end, where the rotor surely moves
FRICTION_SHARE = 0.1
RUN_UP_S = 0.12
LEAD_RAD = 0.085  # how far beyond the drawing's stop the approach asks for; less than the monitor leaves


class Contact(NamedTuple):
    """A joint against its stop; side: -1 low, +1 high.

    angle_rad: extrapolated to zero torque; pressed_rad: under the full homing torque. wind_up_rad: what the
    extrapolation took off. u_rad, u_wind_up_rad: standard uncertainties of the reading and of the wind-up; the latter
    is the same error at every contact of a joint.
    """

    side: int
    angle_rad: float
    pressed_rad: float
    wind_up_rad: float
    u_rad: float
    u_wind_up_rad: float


def press(bench: Bench, joint: JointDescription, side: int, *, unhomed: bool = False) -> None:
    """Move a joint until it stands at its end stop, then press harder. Records spans `touch` and `press`.

    side: -1 low stop, +1 high stop. unhomed: the leg does not know where the stop is; go as far as the whole travel.
    Raises MeasurementInvalid when no stop was met.
    """
    if not seek(bench, joint, side, unhomed=unhomed):
        raise MeasurementInvalid(f"{joint.name}: no end stop was met within the travel of the drawing")


def seek(bench: Bench, joint: JointDescription, side: int, *, unhomed: bool = False) -> bool:
    """As `press`, but says whether a stop was met; where none was, records a span `beyond` at the end of the way."""
    index = bench.leg.joint_names.index(joint.name)
    travel = joint.travel_rad[1] - joint.travel_rad[0]
    demand = bench.demand_rad
    goal = demand.copy()
    goal[index] = demand[index] + side * (travel + 2 * LEAD_RAD) if unhomed else _stop(joint, side) + side * LEAD_RAD
    caps = np.array([j.torque_Nm for j in bench.leg.joints])
    caps[index] = TOUCH_SHARE * joint.home.torque_Nm
    met = _ContactWatch(index, caps[index], bench.period_ns)
    bench.follow(_ramp(demand, goal, joint.home.speed_rad_s, bench.period_ns), caps, label="approach", until=met)
    if not met.found:
        bench.wait(TOUCH_S, BEYOND)
        return False
    bench.wait(TOUCH_S, TOUCH)
    caps[index] = joint.home.torque_Nm
    held = bench.demand_rad
    rows = np.tile(held, (round(PRESS_S * 1e9 / bench.period_ns), 1))
    ramp = np.tile(caps, (len(rows), 1))
    rise = np.minimum(np.linspace(0.0, 1.0 / RAMP_END, len(rows)), 1.0)
    ramp[:, index] = (TOUCH_SHARE + (1 - TOUCH_SHARE) * rise) * joint.home.torque_Nm
    bench.follow(rows, ramp, label=PRESS)
    return True


def back_off(bench: Bench, joint: JointDescription, side: int, distance_rad: float, label: str = "back off") -> None:
    """Leave the stop, still gently."""
    index = bench.leg.joint_names.index(joint.name)
    goal = bench.demand_rad
    position = bench.sample().joints_rad[index]
    goal[index] = position - side * distance_rad
    caps = np.array([j.torque_Nm for j in bench.leg.joints])
    caps[index] = joint.home.torque_Nm
    bench.follow(_ramp(bench.demand_rad, goal, joint.home.speed_rad_s, bench.period_ns), caps, label=label)


def contacts(recorded: Recorded, joint: JointDescription) -> list[Contact]:
    """Every contact of a joint in the record, in order; contacts of other joints are left out."""
    pressed = [t for t in recorded.traces(PRESS) if _is_pressed(t, joint)]
    if not pressed:
        return []
    slope, u_slope = _compliance(recorded, joint, pressed)
    return [_contact(recorded, joint, trace, slope, u_slope) for trace in pressed]


def _is_pressed(trace: Trace, joint: JointDescription) -> bool:
    """Only the joint that is pressed has its cap at the homing torque in the end."""
    caps = trace.column(f"{joint.name}.torque_cap")
    return bool(abs(caps[np.isfinite(caps)][-1] - joint.home.torque_Nm) < 0.02 * joint.home.torque_Nm)


def _compliance(recorded: Recorded, joint: JointDescription, pressed: list[Trace]) -> tuple[float, float]:
    """Joint angle per torque, rad/(N*m), of belt and gearbox against a stop, and its standard uncertainty.

    From the end of the ramps: a rotor that bounced at the stop is held by friction until the torque has risen by twice
    of it. All contacts share the slope, each has its own angle.
    """
    index = recorded.leg.joint_names.index(joint.name)
    torques, angles = [], []
    for trace in pressed:
        torque, angle = trace.column(f"{joint.name}.torque"), recorded.joints(trace)[:, index]
        ramp = slice(int(RAMP_END * (1 - END_SHARE) * len(trace)), int(RAMP_END * len(trace)))
        good = np.isfinite(torque[ramp]) & np.isfinite(angle[ramp])
        torques.append(torque[ramp][good] - torque[ramp][good].mean())
        angles.append(angle[ramp][good] - angle[ramp][good].mean())
    x, y = np.concatenate(torques), np.concatenate(angles)
    spread = float(x @ x)
    if spread == 0.0:
        raise MeasurementInvalid(f"{joint.name}: the torque did not rise at the end stop")
    slope = float(x @ y) / spread
    variance = float(np.sum((y - slope * x) ** 2)) / max(1, len(x) - 1 - len(pressed))
    return slope, float(np.sqrt(variance / spread))


def _contact(recorded: Recorded, joint: JointDescription, pressed: Trace, slope: float, u_slope: float) -> Contact:
    angle, torque, noise = _steady(recorded, joint, pressed)
    # What friction takes does not reach the stop: between nothing and a fifth of the torque, rectangular.
    wind_up = (1 - FRICTION_SHARE) * slope * torque
    friction = FRICTION_SHARE * slope * torque / np.sqrt(3)
    u_wind_up = float(np.hypot(u_slope * torque, friction))
    return Contact(1 if torque > 0 else -1, angle - wind_up, angle, wind_up, noise, u_wind_up)


def _steady(recorded: Recorded, joint: JointDescription, trace: Trace) -> tuple[float, float, float]:
    """Mean joint angle and torque of the last third of a span, and the standard uncertainty of that angle."""
    index = recorded.leg.joint_names.index(joint.name)
    last = max(3, len(trace) // 3)
    angle = recorded.joints(trace)[-last:, index]
    torque = trace.column(f"{joint.name}.torque")[-last:]
    step = 2 * np.pi / joint.drive.counts_per_turn
    u = float(np.hypot(np.nanstd(angle, ddof=1) / np.sqrt(last), step / np.sqrt(12)))
    return float(np.nanmean(angle)), float(np.nanmean(torque)), u


def _stop(joint: JointDescription, side: int) -> float:
    return joint.travel_rad[0] if side < 0 else joint.travel_rad[1]


def _ramp(start: NDArray[np.float64], goal: NDArray[np.float64], speed: float, period_ns: int) -> NDArray[np.float64]:
    """Rows at constant speed, gently begun and ended: a position loop thrown into motion would overshoot by half."""
    period_s = period_ns * 1e-9
    span = float(np.max(np.abs(goal - start)))
    count = max(4, int(np.ceil((span / speed + RUN_UP_S) / period_s)) + 1)
    t = np.arange(count) * period_s
    rate = np.minimum(np.minimum(t, t[-1] + period_s - t) / RUN_UP_S, 1.0)
    share = np.concatenate([[0.0], np.cumsum(rate[1:])])
    return start + np.outer(share / share[-1], goal - start)


class _ContactWatch:
    """Torque at its cap and standstill, both for STILL_S, and not before the approach has its speed.

    While it speeds up, stiction may hold a joint that gravity already asks nearly the whole cap of.
    """

    def __init__(self, index: int, cap_Nm: float, period_ns: int) -> None:
        self._index, self._cap = index, cap_Nm
        self._need = max(3, round(STILL_S * 1e9 / period_ns))
        self._run_up = round(RUN_UP_S * 1e9 / period_ns)
        self._past: list[float] = []
        self.found = False

    def __call__(self, sample: Sample) -> bool:
        self._run_up -= 1
        if self._run_up >= 0:
            return False
        at_cap = sample.at_limit[self._index] or abs(sample.torques_Nm[self._index]) > 0.9 * self._cap
        if not at_cap:
            self._past.clear()
            return False
        self._past.append(sample.joints_rad[self._index])
        window = self._past[-self._need :]
        self.found = len(window) == self._need and max(window) - min(window) < STILL_RAD
        return self.found


