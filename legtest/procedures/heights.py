"""Kinematics against the height on the rail: the leg lifts its carriage through a grid of poses, and somebody reads it.

Height of the hip = what the joint angles say + errors of lengths, joint zeros and datum. What belts and gears wind up
under the weight is measured at the end stops first and taken off; the zeros of the joints are known by homing only, so
they are fitted as well, each within what homing leaves open.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.setup import SetUp
from legtest.hands import instrument_for
from legtest.kinematics import foot_of_joints, jacobian, joints_of_foot
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.contact import back_off, contacts, press
from legtest.procedures.known_load import PLAY_RAD
from legtest.procedures.posture import clear
from legtest.procedures.readings import readings
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

COLUMNS = (-0.22, 0.0, 0.22)  # place of the foot forward of the hip, of the straight leg
HEIGHTS = (0.84, 0.88, 0.92, 0.95)  # of the hip above the foot, of the straight leg
LIFT_M, SPEED_M_S = 0.02, 0.06
SETTLE_S = 0.3
# Standard uncertainties before the fit: a length is anywhere within a centimetre; a joint's zero is its home stop by
# the drawing (0.1 deg), its seat (0.1 deg) and half of the play of the motors that turn it; foot and floor give way.
LENGTH_U_M, ZERO_U_RAD, CONTACT_U_M = 10e-3, 3.5e-3, 0.1e-3
PLAY_U_RAD, FLANK_NM = 0.6e-3, 0.25  # of half a play; torque beyond which a motor surely lies on one flank
READING_U_M = 0.03e-3  # of one height beside the gauge's: friction and play leave the transmissions wound up unlike


def move(bench: Bench, heights: int = len(HEIGHTS)) -> Recorded:
    """Press every joint to its home stop; then stand, and in every column go from height to height and read."""
    at_least(DECLARATION.name, "heights", heights, 3)
    instrument_for(bench.description, "rail_height")  # before anything moves
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    length = bench.leg.geometry.thigh_m + bench.leg.geometry.shank_m
    shares = np.linspace(HEIGHTS[0], HEIGHTS[-1], heights)
    with bench.recording(DECLARATION.name, None, DECLARATION.method, heights=heights) as recording:
        with bench.energised():
            for joint in bench.leg.joints:
                bench.move_to(clear(bench.leg))
                side = -1 if joint.home.stop == "low" else 1
                press(bench, joint, side)
                back_off(bench, joint, side, homing.BACK_OFF_RAD)
        bench.arrange(SetUp.STANDING)
        with bench.energised():
            resting = foot_of_joints(bench.leg, bench.demand_rad)
            lifted = resting + [0.0, 0.0, LIFT_M]
            for column in COLUMNS:
                _foot_to(bench, lifted)
                lifted[0] = column * length
                _foot_to(bench, lifted)
                _foot_to(bench, [lifted[0], resting[1], resting[2]])
                for share in shares:
                    _foot_to(bench, [lifted[0], resting[1], -share * length])
                    bench.wait(SETTLE_S, "height")
                    bench.read("rail_height")
                _foot_to(bench, [lifted[0], resting[1], resting[2]])
            _foot_to(bench, lifted)
            lifted[0] = resting[0]
            _foot_to(bench, lifted)
            _foot_to(bench, resting)
        bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def _foot_to(bench: Bench, goal_m: FloatArray | list[float]) -> None:
    """The foot in a straight line from the present set-point, gently begun and ended."""
    start, goal = foot_of_joints(bench.leg, bench.demand_rad), np.asarray(goal_m, float)
    count = max(3, round(1.5 * float(np.linalg.norm(goal - start)) / SPEED_M_S / (bench.period_ns * 1e-9)))
    s = np.linspace(0.0, 1.0, count)[:, None]
    bench.follow(joints_of_foot(bench.leg, start + (s * s * (3 - 2 * s)) * (goal - start)))


class _Grid(NamedTuple):
    """Heights read and those of the drawing (n,), m; joint angles (n, joints); u of the gauge.

    flank: which flank of its play each motor lies on (n, axes), -1 to 1; between, where friction leaves it open.
    """

    read_m: FloatArray
    drawn_m: FloatArray
    joints_rad: FloatArray
    flank: FloatArray
    u_gauge_m: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Residual of the drawing's lengths, and the errors of thigh and shank that explain the heights best."""
    grid = _grid(recorded)
    residual = grid.read_m - grid.drawn_m
    lengths, covariance, left = _fitted(recorded, grid, residual)
    count = len(residual)
    rms = float(np.sqrt(np.mean(residual**2)))
    gauge = BudgetLine("height gauge", grid.u_gauge_m, systematic=True)
    floor = BudgetLine("foot and floor", CONTACT_U_M, systematic=True)
    covariates = {"heights": float(count), "left_after_fit_m": left, "mean_m": float(residual.mean())}
    found = [
        measurement(
            "kinematic_residual", "leg", rms,
            (BudgetLine("scatter", left / sqrt(2 * count), count - 1, "A"), gauge, floor),
            reference="external", covariates=covariates,
        )
    ]  # fmt: skip
    if recorded.leg.geometry.foot_radius_m > 0:
        for number, name in enumerate(("thigh_error", "shank_error")):
            budget = (BudgetLine("heights, zeros and datum", float(sqrt(covariance[number, number])), systematic=True),)
            found.append(
                measurement(name, "leg", float(lengths[number]), budget, reference="external", covariates=covariates)
            )
    return tuple(found)


def _grid(recorded: Recorded) -> _Grid:
    leg, read = recorded.leg, readings(recorded, "rail_height")
    wound = _compliances(recorded)
    sides = np.array([-1.0 if joint.home.stop == "low" else 1.0 for joint in leg.joints])
    coupling = np.asarray(leg.coupling)
    angles, flanks = [], []
    for trace in recorded.traces("height"):
        last = slice(-len(trace) // 3, None)
        joints = np.nanmean(recorded.joints(trace)[last], axis=0)
        torques = np.nanmean(recorded.actuators(trace, "torque")[last], axis=0)
        # The motor leads its joint by what its transmission is wound up, and by half of its play; of the latter the
        # joint's zero has what it was when the joint was pressed to its home stop, by each motor that turns it.
        flanks.append(np.clip(torques / FLANK_NM, -1.0, 1.0))
        lead = wound * torques + PLAY_RAD * flanks[-1]
        angles.append(joints - coupling @ lead + PLAY_RAD * np.abs(coupling).sum(axis=1) * sides)
    joints_rad = np.array(angles)
    drawn = leg.geometry.foot_radius_m - foot_of_joints(leg, joints_rad)[:, 2]
    return _Grid(np.array([r.value for r in read]), drawn, joints_rad, np.array(flanks), read[0].u)


def _compliances(recorded: Recorded) -> FloatArray:
    """Wind-up of each transmission, rad/(N*m), from that of the joints at their stops.

    A joint that is pressed by its motor alone loads every motor that turns it: wind-up = sum of factor^2 / stiffness.
    """
    leg = recorded.leg
    by_joint = []
    for joint in leg.joints:
        found = contacts(recorded, joint)[0]
        by_joint.append(found.wind_up_rad / (found.side * joint.home.torque_Nm))
    return np.asarray(np.linalg.solve(np.square(np.asarray(leg.coupling)), np.abs(by_joint)), float)


def _fitted(recorded: Recorded, grid: _Grid, residual: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Errors of thigh and shank, their covariance, and what is left.

    Least squares; what is known of lengths, zeros and datum before enters as further rows of the design, each in units
    of its standard uncertainty.
    """
    leg, q = recorded.leg, grid.joints_rad
    hip, knee = leg.joint_names.index("hip"), leg.joint_names.index("knee")
    tilt = np.cos(q[:, 0]) if len(leg.joints) == 3 else np.ones(len(q))
    by_zero = -jacobian(leg, q)[:, 2, :]
    columns = [tilt * np.cos(q[:, hip]), tilt * np.cos(q[:, hip] + q[:, knee]), np.ones(len(q))]
    columns += [by_zero[:, j] for j in range(q.shape[1])]
    # A play that is other than the usual one moves each joint with the flanks of the motors that turn it.
    coupling = np.asarray(leg.coupling)
    columns += [-(by_zero @ coupling[:, i]) * grid.flank[:, i] for i in range(q.shape[1])]
    datum = sqrt(grid.u_gauge_m**2 / 2 + CONTACT_U_M**2)
    before = np.array([LENGTH_U_M, LENGTH_U_M, datum, *[ZERO_U_RAD] * q.shape[1], *[PLAY_U_RAD] * q.shape[1]])
    noise = sqrt(grid.u_gauge_m**2 / 2 + READING_U_M**2)
    design = np.vstack([np.column_stack(columns) / noise, np.diag(1 / before)])
    values = np.concatenate([residual / noise, np.zeros(len(before))])
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    left = float(np.std(residual - np.column_stack(columns) @ solution, ddof=min(len(before), len(q) - 1)))
    # Where more is left than the gauge explains, the noise is what is left.
    covariance = np.asarray(np.linalg.inv(design.T @ design)[:2, :2] * max(1.0, left / noise) ** 2, float)
    return np.asarray(solution[:2], float), covariance, left


DECLARATION = Declaration(
    name="kinematics",
    title="kinematics against the height on the rail",
    method="the leg lifts its carriage through a grid of poses; heights that are read, against those by joint angles",
    quantities=("kinematic_residual", "thigh_error", "shank_error"),
    per_joint=False,
    setups=(SetUp.CLAMPED, SetUp.STANDING),
    energy_class=2,
    posture="standing, the foot on the floor behind, below and in front of the hip",
    reference="external: the height gauge on the rail",
    duration_s=60.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, heights: int = len(HEIGHTS)) -> tuple[Measurement, ...]:
    """Hold the leg's lengths against heights read on the rail; see DECLARATION.quantities. NotRun without a gauge."""
    return run_procedure(DECLARATION, bench, heights=heights)
