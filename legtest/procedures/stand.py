"""Stiffness of the stand, and of the foot with the stand taken out: the standing leg pushes its foot along x.

The foot stays where it is, so what the set-points ask of it is taken up by leg and stand in series. How far the stand
gives way no drive can see: it is read from outside.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from legtest.bench import Bench
from legtest.description.model import LegDescription
from legtest.description.setup import SetUp
from legtest.kinematics import foot_of_joints, jacobian, joint_torques, joints_of_foot
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import line_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, at_least, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.readings import readings
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

LIFT_M, LIFT_M_S, SPEED_M_S = 0.020, 0.02, 0.004
# Steps forwards and backwards, each of about so much force; the turns are not read, the steps between them both ways.
STEP_N, TURN, INNER = 4.0, 3, 2
ROUNDS = 3
SETTLE_S, READ_S = 0.2, 0.3
FRICTION_Nm = 0.2  # half width of what friction holds at rest, unlike on both ways, for each motor that turns the hip
LEVER_U = 0.03  # relative: link lengths, angles near 45 deg known to half a degree, a round foot that rolls (3 %)
PLAY_RAD = 2e-3  # half width of what play and friction take of a motor's angle
STAND = "stand_displacement"


def move(bench: Bench, rounds: int = ROUNDS) -> Recorded:
    """Stand up a little, push forwards and backwards in steps, read the stand at each, sit down again.

    Raises NotRun without an instrument for the stand's displacement, before anything moves.
    """
    at_least(DECLARATION.name, "rounds", rounds, 2)
    homing.ensure(bench)
    bench.arrange(SetUp.STANDING)
    with bench.recording(DECLARATION.name, None, DECLARATION.method, rounds=rounds) as recording:
        bench.rest(SETTLE_S)
        bench.read(STAND)  # without an instrument it ends here
        with bench.energised():
            resting = foot_of_joints(bench.leg, bench.demand_rad)
            rise = _line(bench, resting, np.array([0.0, 0.0, -LIFT_M]), LIFT_M_S)
            bench.follow(rise, label="stand up")
            high = foot_of_joints(bench.leg, bench.demand_rad)
            step_m = STEP_N * foot_compliance(bench.leg, bench.sample().joints_rad, _give(bench.leg))
            place = high
            for number in range(rounds):
                for level in _levels(begin=number == 0):
                    goal = high + np.array([level * step_m, 0.0, 0.0])
                    bench.follow(_line(bench, place, goal - place, SPEED_M_S))
                    bench.wait(SETTLE_S)
                    if number and abs(level) <= INNER:  # the first round leaves the friction as the others find it
                        bench.wait(READ_S, f"stop {level:+d}")
                        bench.read(STAND)
                    place = goal
            bench.follow(_line(bench, place, high - place, SPEED_M_S))
            bench.follow(rise[::-1], label="sit down")
    bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def _line(bench: Bench, start: FloatArray, step: FloatArray, speed_m_s: float) -> FloatArray:
    """Joint angles that take the foot from a place straight by a step, m, at a mean speed.

    Gently ended: a loop whose set-point stops dead leaves friction holding less than it can, and not the same each way.
    """
    count = max(4, round(float(np.linalg.norm(step)) / speed_m_s / (bench.period_ns * 1e-9)) + 1)
    s = np.linspace(0.0, 1.0, count)[:, None]
    return joints_of_foot(bench.leg, start + s**3 * (10 - 15 * s + 6 * s**2) * step)


def _levels(*, begin: bool) -> list[int]:
    """One loop from the lower turn to the upper and back; the first begins in the middle."""
    up = list(range(1 if begin else 1 - TURN, TURN + 1))
    return up + list(range(TURN - 1, -TURN - 1, -1))


class _Stop(NamedTuple):
    """What was seen at one level, mean of having come up and come down.

    Force of the foot on the floor and its commanded place, both along x, and the stand's reading.
    """

    force_N: float
    asked_m: float
    stand_m: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Slopes of force over reading and over commanded place, on the mean of both ways; then the stand taken out."""
    stops = _stops(recorded)
    force, asked, stand = np.array(stops).T
    fits = [line_fit(x, force) for x in (stand, asked)]
    K_stand, K_both = (float(fit.coefficients[1]) for fit in fits)
    reading = readings(recorded, STAND)[0]
    reach = float(np.linalg.norm(stand - stand.mean()))
    if not reach:
        return tuple(measurement(name, subject, np.nan, (), reference="internal", invalid="the stand did not move")
                     for name, subject in (("stand_stiffness", "leg"), ("foot_stiffness", "foot")))  # fmt: skip
    friction = 2 * FRICTION_Nm / (0.8 * _length(recorded.leg)) / float(np.ptp(force)) / sqrt(3)
    u_stand = (
        BudgetLine("scatter about the line", fits[0].u(1), fits[0].dof, "A"),
        BudgetLine("reading of the stand", K_stand * reading.u / reach),
        BudgetLine("friction unlike both ways", K_stand * friction),
    )
    common = (
        BudgetLine("torque from current", TORQUE_SCALE * abs(K_stand), systematic=True),
        BudgetLine("lever arms of the drawing", LEVER_U * abs(K_stand), systematic=True),
    )
    covariates = {"force_N": float(np.ptp(force) / 2), "weight_N": _weight(recorded)}
    made = measurement("stand_stiffness", "leg", K_stand, (*u_stand, *common), reference="internal",
                       covariates=covariates)  # fmt: skip
    K_foot = without_stand(K_both, K_stand)
    ratio = K_foot / K_both
    u_alone = float(np.linalg.norm([line.u for line in u_stand]))
    budget = (
        BudgetLine("scatter about the line", fits[1].u(1) * ratio**2, fits[1].dof, "A"),
        BudgetLine("the stand's give", u_alone * (K_foot / K_stand) ** 2),
        BudgetLine("torque from current", TORQUE_SCALE * abs(K_foot), systematic=True),
        BudgetLine("lever arms of the drawing", LEVER_U * abs(K_foot), systematic=True),
        BudgetLine("friction unlike both ways", K_foot * friction, systematic=True),
        BudgetLine("play", _play(recorded.leg, K_foot, asked), systematic=True),
        BudgetLine("weight on a turning leg", _weight(recorded) / _length(recorded.leg) / sqrt(3), systematic=True),
    )
    covariates |= {"together_N_per_m": K_both, "stand_N_per_m": K_stand}
    foot = measurement("foot_stiffness", "foot", K_foot, budget, reference="internal", covariates=covariates)
    return made, foot


def without_stand(both_N_per_m: float, stand_N_per_m: float) -> float:
    """Stiffness of a leg whose stand is in series: 1 / K = 1 / K_both - 1 / K_stand."""
    return 1 / (1 / both_N_per_m - 1 / stand_N_per_m)


def _stops(recorded: Recorded) -> list[_Stop]:
    """One for each level and round."""
    stand = [reading.value for reading in readings(recorded, STAND)[1:]]
    labels = [label for label in recorded.labels if label.startswith("stop")]
    seen: dict[str, list[_Stop]] = {label: [] for label in labels}
    traces = {label: recorded.traces(label) for label in seen}
    for label, value in zip(labels, stand, strict=True):
        seen[label].append(_stop(recorded, traces[label][len(seen[label])], value))
    # Up and down in turn: neighbours are the two ways of one round.
    pairs = [pair for found in seen.values() for pair in zip(found[::2], found[1::2], strict=True)]
    return [_Stop(*np.mean(pair, axis=0).tolist()) for pair in pairs]


def _stop(recorded: Recorded, trace: Trace, stand_m: float) -> _Stop:
    angle, torque = recorded.joints(trace), recorded.actuators(trace, "torque")
    good = np.isfinite(angle).all(axis=1) & np.isfinite(torque).all(axis=1)
    q, tau = angle[good].mean(axis=0), joint_torques(recorded.leg, torque[good].mean(axis=0))
    # The floor holds the foot with this force, so the leg pushes the stand the other way: tau = -J^T F.
    force = np.linalg.lstsq(jacobian(recorded.leg, q).T, -tau, rcond=None)[0]
    asked = foot_of_joints(recorded.leg, recorded.joints(trace, "setpoint")[good].mean(axis=0))
    return _Stop(float(force[0]), -float(asked[0]), stand_m)


def _weight(recorded: Recorded) -> float:
    trace = recorded.traces("stop +0")[-1]
    q, torque = recorded.joints(trace), recorded.actuators(trace, "torque")
    tau = joint_torques(recorded.leg, np.nanmean(torque, axis=0))
    return float(np.linalg.lstsq(jacobian(recorded.leg, np.nanmean(q, axis=0)).T, -tau, rcond=None)[0][2])


def _length(leg: LegDescription) -> float:
    return leg.geometry.thigh_m + leg.geometry.shank_m


def _play(leg: LegDescription, K_foot: float, asked: FloatArray) -> float:
    """Of a displacement of the foot, play takes its angle times the leg's length; a tenth of it stays on average."""
    return K_foot * PLAY_RAD * _length(leg) * 0.1 / float(np.ptp(asked)) / sqrt(3)


def _give(leg: LegDescription) -> FloatArray:
    """Angle over torque of each drive's position loop, by its description."""
    return np.array([1 / joint.drive.stiffness_Nm_per_rad for joint in leg.joints])


def foot_compliance(leg: LegDescription, q: ArrayLike, per_motor: FloatArray) -> float:
    """Give of the foot along x under a force along x, m/N, of motors that give per_motor (axes,), rad/(N*m)."""
    turned = jacobian(leg, q) @ np.asarray(leg.coupling, float)
    return float((turned @ np.diag(per_motor) @ turned.T)[0, 0])


DECLARATION = Declaration(
    name="stand stiffness",
    title="stiffness of stand and foot",
    method="the standing leg pushes its foot forwards and backwards in steps; force over the stand's deflection, read "
    "from outside",
    quantities=("stand_stiffness", "foot_stiffness"),
    per_joint=False,
    setups=(SetUp.STANDING,),
    energy_class=2,
    posture="standing, the carriage carried by the leg",
    reference="external: an instrument at the stand; internal: torque from current",
    duration_s=60.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, rounds: int = ROUNDS) -> tuple[Measurement, ...]:
    """Measure `stand_stiffness` along x and `foot_stiffness` with the stand taken out. Raises NotRun."""
    return run_procedure(DECLARATION, bench, rounds=rounds)
