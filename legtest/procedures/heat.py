"""Thermal rise: a joint carries a load at standstill while its winding warms; how warm it would become, and how soon.

HOT: motor and housing stay hot after the test. Two bodies, winding and housing; the winding's part is measured, what
the housing adds in the long run is extrapolated from how fast it warms, with its time constant known only as between
5 and 25 minutes. The drive's own winding sensor is believed; a drive that tells no winding voltage leaves no way to the
resistance method of IEC 60034-1. Sees a bad heat path from winding to housing. Does not see a sensor that lies, nor a
housing that is cooled by a fan or by the stand on this bench and not on the robot.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement, rectangular
from legtest.metrology.fitting import linear_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import loaded
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

COLD_S, HOLD_S, PIECE_S = 5.0, 150.0, 15.0
SHARE = 0.97  # of the most that the known mass can load the joint
LEAST_RISE_K = 1.0  # below it, a resolution of 0.1 K says too little
WINDING_MAX_C = 90.0
HOUSING_S = (300.0, 1500.0)  # time constant of a housing in still air; common practice, no source
CURRENT_SCALE = 0.01  # standard uncertainty of a current reading, relative; common practice, no source
ZERO = 0.002  # of rated torque, standard uncertainty of the zero of a current reading; see `at_rest`
STEP_K = 0.1  # resolution of the temperature
GRID_S = 0.1  # between two temperatures, as drives send them
MORE_BODIES = 0.02  # of a time constant; common practice, no source
TIMES_S = np.geomspace(20.0, 250.0, 60)


def move(bench: Bench, joint: JointDescription, hold_s: float = HOLD_S) -> Recorded:
    """Temperature of the unpowered joint, then hold the known mass out with it for minutes."""
    homing.ensure(bench)
    bench.arrange(SetUp.MASS)
    pose = loaded(bench.leg, joint, SHARE)
    with bench.recording(
        DECLARATION.name, joint.name, DECLARATION.method, winding_max_C=WINDING_MAX_C
    ) as recording:  # fmt: skip
        bench.watch(COLD_S, "cold")
        with bench.energised():
            bench.move_to(pose)
            for _ in range(round(hold_s / PIECE_S)):
                bench.wait(PIECE_S, "hold")
    bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


class _Curve(NamedTuple):
    """What a fit with one time constant of the housing gives, at rated torque: the winding's final rise over its
    housing, K, the whole final rise over the room, K, and the winding's time constant, s; each with its u from the fit.
    """

    rise: tuple[float, float]
    whole: tuple[float, float]
    time_s: tuple[float, float]


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Fit of two bodies, of whose housing the time constant is given, heated by the square of the torque as it was.

    See `_design`. The torque of a held joint creeps as its friction warms, so it is not taken for constant.
    """
    joint = recorded.joint
    time, temperature, heating = _held(recorded)
    rise = float(np.ptp(temperature)) if len(temperature) else 0.0
    if rise < LEAST_RISE_K:
        reason = f"the winding warmed by {rise:.1f} K, {LEAST_RISE_K:g} K are needed"
        return tuple(
            measurement(name, joint.name, np.nan, (), reference="internal", invalid=reason)
            for name in DECLARATION.quantities
        )
    cold, excess = _cold(recorded)
    middle, *ends = (_fitted(time, temperature, heating, each) for each in (sum(HOUSING_S) / 2, *HOUSING_S))
    rated = joint.drive.rated_torque_Nm
    load = rated * float(np.sqrt(np.median(heating[len(heating) // 4 :])))
    covariates = {"load_Nm": load, "ambient_C": cold, "warmed_K": rise}
    scale = (rated / load) ** 2
    value = middle.rise[0] + excess * scale  # while it was measured, that went away
    budget = (
        BudgetLine("fit", middle.rise[1], evaluation="A"),
        rectangular("time constant of the housing", _half([end.rise[0] for end in ends])),
        BudgetLine("current reading", 2 * CURRENT_SCALE * value, systematic=True),
        BudgetLine("zero of the current reading", 2 * ZERO * rated / load * value, systematic=True),
        rectangular("not cold in the beginning", (excess / 2 + STEP_K) * scale),
    )
    time_budget = (
        BudgetLine("fit", middle.time_s[1], evaluation="A"),
        rectangular("time constant of the housing", _half([end.time_s[0] for end in ends])),
        BudgetLine("two bodies for what are more", MORE_BODIES * middle.time_s[0]),
    )
    room = float(recorded.arguments["winding_max_C"]) - cold
    return (
        measurement("winding_rise", joint.name, value, budget, reference="internal", covariates=covariates),
        measurement(
            "winding_time", joint.name, middle.time_s[0], time_budget, reference="internal", covariates=covariates
        ),
        _continuous(joint, [rated * sqrt(room / (each.whole[0] + excess * scale)) for each in (middle, *ends)],
                    middle.whole[1] / middle.whole[0], covariates),
    )  # fmt: skip


def _half(ends: list[float]) -> float:
    return abs(ends[0] - ends[1]) / 2


def _continuous(
    joint: JointDescription, torques: list[float], u_whole: float, covariates: dict[str, float]
) -> Measurement:
    """tau = rated sqrt(room / rise at rated torque), whose relative uncertainty is half that of the rise.

    torques: with the housing's time constant in the middle, and at both ends. u_whole: relative, of the whole rise.
    """
    value, *ends = torques
    budget = (
        BudgetLine("fit", u_whole / 2 * value, evaluation="A"),
        rectangular("time constant of the housing", max(abs(end - value) for end in ends)),
        BudgetLine("current reading", CURRENT_SCALE * value, systematic=True),
        BudgetLine("torque from current", TORQUE_SCALE * value, systematic=True),
    )
    return measurement(
        "continuous_torque", joint.name, value, budget, reference="internal", covariates=covariates
    )  # fmt: skip


def _cold(recorded: Recorded) -> tuple[float, float]:
    """Temperature of the coolest winding of the leg before it was loaded, for want of the room's own, degC; and by how
    much the winding under test was warmer, K.
    """
    trace = recorded.trace("cold")
    means = {
        name: float(np.nanmean(trace.columns[f"{name}.temperature"]))
        for name in recorded.leg.joint_names
        if f"{name}.temperature" in trace.columns
    }
    coolest = min(means.values())
    return coolest, means[recorded.joint.name] - coolest


def _held(recorded: Recorded) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Instants at which the winding's temperature changed, s since the end of the cold watch, and what it was there;
    the square of torque over rated torque in each step of GRID_S from there on.
    """
    joint, whole = recorded.joint, recorded.whole
    powered = whole.rows(whole.t_ns > recorded.trace("cold").t_ns[-1])
    time = powered.time_s - powered.time_s[0]
    temperature, torque = (powered.column(f"{joint.name}.{what}") for what in ("temperature", "torque"))
    bins = (time / GRID_S).astype(int)
    squares = np.nan_to_num(torque / joint.drive.rated_torque_Nm) ** 2
    counts = np.maximum(np.bincount(bins, np.isfinite(torque)), 1)
    held = recorded.traces("hold")[0].t_ns[0]
    good = np.isfinite(temperature) & (powered.t_ns >= held)
    time, temperature = time[good], temperature[good]
    # A rounded reading says most where it changes: there the true value is half-way between the two.
    change = np.flatnonzero(np.diff(temperature) != 0)
    middle = (temperature[change] + temperature[change + 1]) / 2
    return (time[change] + time[change + 1]) / 2, middle, np.bincount(bins, squares) / counts


def _fitted(time: FloatArray, temperature: FloatArray, heating: FloatArray, housing_s: float) -> _Curve:
    """The best curve for one time constant of the housing; the winding's by a table, then by golden section."""

    def design(tau: float) -> FloatArray:
        return _design(time, heating, tau, housing_s)

    def size(tau: float) -> float:
        return float(np.sum(linear_fit(design(tau), temperature).residuals ** 2))

    best = int(np.argmin([size(float(tau)) for tau in TIMES_S]))
    low, high = float(TIMES_S[max(best - 1, 0)]), float(TIMES_S[min(best + 1, len(TIMES_S) - 1)])
    share = (sqrt(5) - 1) / 2
    while high - low > 1e-3 * low:
        left, right = high - share * (high - low), low + share * (high - low)
        low, high = (low, right) if size(left) < size(right) else (left, high)
    tau = (low + high) / 2
    found = linear_fit(design(tau), temperature).coefficients
    # The time constant is a parameter like the others: its column is the derivative of the curve by it.
    step = 0.01 * tau
    slope = (design(tau + step) - design(tau)) @ found / step
    full = linear_fit(np.column_stack([design(tau), slope]), temperature)
    rise, whole = np.array([0.0, 1.0, 0.0, 0.0]), np.array([0.0, 1.0, housing_s, 0.0])
    values = [float(found @ row[:3]) for row in (rise, whole)]
    us = [float(np.sqrt(row @ full.covariance @ row)) for row in (rise, whole)]
    return _Curve((values[0], us[0]), (values[1], us[1]), (tau, full.u(3)))


def _design(time: FloatArray, heating: FloatArray, tau: float, housing_s: float) -> FloatArray:
    """Columns of 1, the winding's rise over its housing A, and the slope s with which the housing warms at first.

    Heat balance of both bodies, p the heating over that at rated torque: T dD/dt = A p - D - T dC/dt for the winding
    over its housing, dC/dt = s b - C / T_h for the housing over the room, with b the answer of D to p, as if the
    housing were cold. theta = D + C = A b + s (c - d), each the answer of a first-order lag: b of T to p, c of T_h to
    b, d of T to dc/dt.
    """
    grid = np.arange(len(heating)) * GRID_S
    b = _lag(heating, tau) / tau
    c = _lag(b, housing_s)
    d = _lag(b - c / housing_s, tau)
    columns = [np.interp(time, grid + GRID_S, column) for column in (b, c - d)]
    return np.column_stack([np.ones_like(time), *columns])


def _lag(values: FloatArray, time_s: float) -> FloatArray:
    """The integral over the past of values times exp(-age / time_s), at the end of each step of GRID_S."""
    kernel = np.exp(-np.arange(len(values)) * GRID_S / time_s) * time_s * (1 - np.exp(-GRID_S / time_s))
    return np.asarray(np.convolve(values, kernel)[: len(values)], float)


DECLARATION = Declaration(
    name="thermal rise",
    title="thermal rise and continuous torque",
    method="the joint holds the known mass out for minutes; the winding's temperature is fitted by two bodies",
    quantities=("winding_rise", "winding_time", "continuous_torque"),
    per_joint=True,
    setups=(SetUp.MASS,),
    energy_class=3,
    posture="the joint turned until the foot's weight loads it most",
    reference="internal: the winding's sensor and the drive's current",
    duration_s=175.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription, hold_s: float = HOLD_S) -> tuple[Measurement, ...]:
    """Warm a joint's winding: `winding_rise`, `winding_time` and `continuous_torque`. HOT afterwards."""
    return run_procedure(DECLARATION, bench, joint, hold_s=hold_s)
