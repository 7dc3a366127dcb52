"""Gravity and inertia of the leg: all joints run a periodic path at once; a model of torques is fitted to it.

The path is a Fourier series, so its periods can be averaged, and its speeds and accelerations are those of a series
fitted to the measured angles: nothing is differentiated. The model is judged by a path that it was not fitted to.
Swevers, Ganseman, Tukel, De Schutter, Van Brussel, IEEE Trans. Robotics and Automation 13 (1997) 730.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench
from legtest.description.model import LegDescription
from legtest.description.setup import SetUp
from legtest.dynamics import PARAMETERS, independent, names, regressor
from legtest.kinematics import actuators_of_joints
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import linear_fit
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.metrology.spectra import sines_fit
from legtest.metrology.statistics import lag1
from legtest.procedures import homing
from legtest.procedures.base import TORQUE_SCALE, Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import middle
from legtest.records.recorded import Recorded

FloatArray = NDArray[np.float64]

BASE_S, HARMONICS, SEEN = 2.5, 5, 9  # period; harmonics that are asked for, and that are looked for
PERIODS = {"fitted": 8, "held out": 4}  # and one of each to get into it
HALF_RAD, PEAK_RAD_S = 0.5, 2.2
TRIES = 15  # random paths, of which the one with the best condition is taken
STICKING_RAD_S = 0.1  # below this speed of a motor its friction is not the running one
# Moments that gravity shows come first: where two parameters act as one, it is named after the first.
ORDER = ("mz", "mx", "my", "Iyy", "Ixx", "Izz", "Ixz", "Ixy", "Iyz", "m")
OFFSET_SHARE = 0.003  # of rated torque: standard uncertainty of a drive's torque at no current
RIPPLE_SHARE = 0.004  # of rated torque: what a torque that goes with the angle may pass for gravity
STAIR, STAIR_HALF = 0.46, 0.05  # see _within_cycle; half width of the first
LINK_U = 0.005  # relative: lengths of the drawing, angles in space


def path(leg: LegDescription, period_s: float, label: str) -> FloatArray:
    """One period of the path (rows, joints), rad, around the middle of each joint's hanging range; always the same."""
    rng = np.random.default_rng(list(PERIODS).index(label) + 1)
    centre = np.array([middle(leg, j, HALF_RAD)[i] for i, j in enumerate(leg.joints)])
    rows = round(BASE_S / period_s)
    tried = [centre + _series(rng, rows, len(leg.joints), period_s) for _ in range(TRIES)]
    kept = _kept(leg)
    return min(tried, key=lambda q: _condition(leg, q[:: max(1, rows // 100)], kept))


def _series(rng: np.random.Generator, rows: int, joints: int, period_s: float) -> FloatArray:
    turn = 2 * np.pi * np.outer(np.arange(rows) / rows, np.arange(1, HARMONICS + 1))
    weight = rng.normal(size=(2, HARMONICS, joints))
    offset = np.cos(turn) @ weight[0] + np.sin(turn) @ weight[1]
    speed = np.abs(np.diff(offset, axis=0, append=offset[:1])).max(axis=0) / period_s
    return np.asarray(offset * np.minimum(HALF_RAD / np.abs(offset).max(axis=0), PEAK_RAD_S / speed), float)


def _condition(leg: LegDescription, q: FloatArray, kept: list[int]) -> float:
    """Condition number of what the path shows of the links and rotors, columns scaled."""
    turns = np.arange(len(q)) / len(q)
    design = _design(leg, *_smooth(turns, q))[0]
    flat = design[:, :, kept].reshape(-1, len(kept))
    return float(np.linalg.cond(flat / np.linalg.norm(flat, axis=0)))


def move(bench: Bench) -> Recorded:
    """Run the path that is fitted, then the one that is held out."""
    homing.ensure(bench)
    bench.arrange(SetUp.CLAMPED)
    period_s = bench.period_ns * 1e-9
    tables = {label: path(bench.leg, period_s, label) for label in PERIODS}
    with bench.recording(DECLARATION.name, None, DECLARATION.method) as recording, bench.energised():
        for label, one in tables.items():
            bench.move_to(one[0])
            bench.wait(0.2)
            bench.follow(np.tile(one, (PERIODS[label] + 1, 1)), label=label)
    return taken(recording.result)


@dataclass(frozen=True, slots=True)
class Model:
    """A fitted model of motor torques. names: its parameters (SI); values (p,), covariance (p, p).

    rms_Nm (axes,): what is left over on the path it was fitted to.
    """

    names: tuple[str, ...]
    values: FloatArray
    covariance: FloatArray
    dof: float
    rms_Nm: FloatArray


def identify(recorded: Recorded) -> Model:
    """Fit base parameters of the links, rotor inertias and friction to the path of that name."""
    leg = recorded.leg
    q, speeds, accelerations, torque = averaged(recorded, "fitted")
    design, labels = _design(leg, q, speeds, accelerations)
    kept = _kept(leg) + _friction(leg)
    moving = np.abs(actuators_of_joints(leg, speeds)) > STICKING_RAD_S
    weight = np.ones(torque.shape[1])
    for _ in range(2):  # the second time by what each motor leaves over
        scaled = (design[:, :, kept] / weight[:, None])[moving]
        fit = linear_fit(*_with_offsets(leg, scaled, (torque / weight)[moving]))
        left = torque - design[:, :, kept] @ fit.coefficients
        weight = np.array([left[moving[:, a], a].std() for a in range(len(weight))])
    correlation = min(0.99, max(lag1(left[:, a]) for a in range(len(weight))))
    widening = (1 + correlation) / (1 - correlation)  # neighbouring samples share their error
    return Model(
        tuple(labels[i] for i in kept), fit.coefficients, fit.covariance * widening,
        max(1.0, fit.dof / widening), weight,
    )  # fmt: skip


def _with_offsets(leg: LegDescription, design: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows that say what is known of the offsets beforehand: a path hardly tells them from a weight beside the axis."""
    count = len(leg.joints)
    known = np.zeros((count, design.shape[1]))
    for axis, joint in enumerate(leg.joints):
        known[axis, -count + axis] = 1 / (OFFSET_SHARE * joint.drive.rated_torque_Nm)
    return np.vstack([design, known]), np.append(y, np.zeros(count))


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Gravity moment and apparent inertia of every joint from the fitted model; what the held-out path leaves over."""
    model, leg = identify(recorded), recorded.leg
    late = f"{recorded.timing.missed} control cycles were left out" if recorded.timing.missed else ""
    found = []
    inverse = np.linalg.inv(np.asarray(leg.coupling, float))
    for index, joint in enumerate(leg.joints):
        for name, (value, u) in (
            ("gravity_moment", gravity_moment(leg, model, index)),
            ("apparent_inertia", apparent_inertia(leg, model, index)),
        ):
            budget: tuple[BudgetLine, ...] = (
                BudgetLine("fit of the model", u, model.dof, "A"),
                BudgetLine("torque from current", TORQUE_SCALE * abs(value), systematic=True),
                BudgetLine("lengths and angles of the drawing", LINK_U * abs(value), systematic=True),
            )
            if name == "gravity_moment":
                ripple = RIPPLE_SHARE * joint.drive.rated_torque_Nm
                budget += (BudgetLine("torque ripple over the angle", ripple, systematic=True),)
            if name == "apparent_inertia":
                stair = STAIR_HALF * recorded.timing.period_ns * 1e-9 / sqrt(3)
                drives = zip(inverse[:, index], leg.joints, strict=True)
                damped = sum(c * c * j.drive.damping_Nms_per_rad for c, j in drives)
                budget += (BudgetLine("torque within a cycle", stair * float(damped), systematic=True),)
            found.append(measurement(name, joint.name, value, budget, reference="internal", invalid=late))
    return (*found, _predicted(recorded, model, late))


def _predicted(recorded: Recorded, model: Model, late: str) -> Measurement:
    leg = recorded.leg
    q, speeds, accelerations, torque = averaged(recorded, "held out")
    design, _ = _design(leg, q, speeds, accelerations)
    moving = np.abs(actuators_of_joints(leg, speeds)) > STICKING_RAD_S
    left = torque - design[:, :, _kept(leg) + _friction(leg)] @ model.values
    each = [float(np.sqrt((left[moving[:, a], a] ** 2).mean())) for a in range(left.shape[1])]
    value = float(np.sqrt(np.mean(np.square(each))))
    correlation = min(0.99, max(lag1(left[:, a]) for a in range(left.shape[1])))
    independent_rows = max(4.0, moving.sum() * (1 - correlation) / (1 + correlation))
    budget = (
        BudgetLine("scatter of what is left over", value / sqrt(2 * independent_rows), independent_rows, "A"),
        BudgetLine("torque from current", TORQUE_SCALE * value, systematic=True),
    )
    covariates = {f"{name}_rms_Nm": rms for name, rms in zip(leg.joint_names, each, strict=True)}
    covariates |= {f"noise_{name}_Nm": n for name, n in zip(leg.joint_names, _noise(recorded), strict=True)}
    covariates |= dict(zip(model.names, model.values.tolist(), strict=True))
    us = np.sqrt(np.diag(model.covariance)).tolist()
    covariates |= {f"u({name})": u for name, u in zip(model.names, us, strict=True)}
    return measurement("prediction_error", "leg", value, budget, reference="internal", covariates=covariates,
                       invalid=late)  # fmt: skip


def averaged(recorded: Recorded, label: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Joint angles, speeds, accelerations (rows, joints) and motor torques (rows, axes) of the mean period."""
    angle, torque = _periods(recorded, label)
    turns = np.arange(angle.shape[1]) / angle.shape[1]
    q, speeds, accelerations = _smooth(turns, np.nanmean(angle, axis=0))
    return q, speeds, accelerations, np.nanmean(torque, axis=0) + _within_cycle(recorded, accelerations)


def _within_cycle(recorded: Recorded, accelerations: FloatArray) -> FloatArray:
    """What torque read at a SYNC lacks of the mean over the cycle (rows, axes).

    The drive runs a straight line from set-point to set-point, so its speed demand is a staircase, and torque is read
    at the end of each stair: the loop's damping times the speed gained in about half a cycle is missing. With inertia J
    and damping d of the loop, and x = d T / J: a T d (1/x - 1/(exp x - 1)), 0.50 a T d for x = 0, 0.42 for x = 1.
    """
    damping = np.array([joint.drive.damping_Nms_per_rad for joint in recorded.leg.joints])
    period_s = recorded.timing.period_ns * 1e-9
    return STAIR * damping * period_s * actuators_of_joints(recorded.leg, accelerations)


def _periods(recorded: Recorded, label: str) -> tuple[FloatArray, FloatArray]:
    trace, leg = recorded.trace(label), recorded.leg
    command = recorded.joints(trace, "setpoint")
    known = np.isfinite(command).all(axis=1)
    moved = known & (np.abs(command - command[known][0]).max(axis=1) > 1e-4)
    rows = round(BASE_S / (recorded.timing.period_ns * 1e-9))
    begin = int(np.argmax(moved)) - 1 + rows  # past the run-in
    shape = (PERIODS[label], rows, len(leg.joints))
    part = slice(begin, begin + shape[0] * rows)
    return recorded.joints(trace)[part].reshape(shape), recorded.actuators(trace, "torque")[part].reshape(shape)


def _noise(recorded: Recorded) -> FloatArray:
    """Standard deviation of one torque sample (axes,), from what differs between periods."""
    _, torque = _periods(recorded, "fitted")
    return np.asarray(np.sqrt(np.nanvar(torque, axis=0, ddof=1).mean(axis=0)))


def _smooth(turns: FloatArray, angle: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Series of SEEN harmonics through one period of angles, and its first and second derivatives."""
    k = np.arange(1.0, SEEN + 1)
    wave = np.exp(2j * np.pi * np.outer(turns, k))
    amplitudes = np.stack([sines_fit(turns, column, k) for column in angle.T], axis=1)
    mean = np.nanmean(angle - (wave @ amplitudes).real, axis=0)
    rate = 2j * np.pi * k[:, None] / BASE_S
    return (
        mean + (wave @ amplitudes).real, (wave @ (rate * amplitudes)).real, (wave @ (rate**2 * amplitudes)).real,
    )  # fmt: skip


def _design(
    leg: LegDescription, q: FloatArray, speeds: FloatArray, accelerations: FloatArray
) -> tuple[FloatArray, tuple[str, ...]]:
    """(rows, axes, parameters) with motor torques = design parameters, and the parameters' names."""
    coupling = np.asarray(leg.coupling, float)
    links = np.einsum("ja,rjp->rap", coupling, regressor(leg, q, speeds, accelerations))
    motor_speed = actuators_of_joints(leg, speeds)
    motor_acceleration = actuators_of_joints(leg, accelerations)
    own = [motor_acceleration, motor_speed, np.sign(motor_speed), np.ones_like(motor_speed)]
    axes = np.eye(len(leg.joints))
    columns = [links, *(term[:, :, None] * axes for term in own)]
    what = ("rotor inertia", "viscous friction", "Coulomb friction", "offset")
    return np.concatenate(columns, axis=2), names(leg) + tuple(f"{j} {w}" for w in what for j in leg.joint_names)


def _kept(leg: LegDescription) -> list[int]:
    """Columns of the design for a set of link parameters and rotor inertias that can be told apart."""
    rng, count = np.random.default_rng(1), len(leg.joints)
    q, v, a = (rng.normal(size=(60, count)) for _ in range(3))
    links = [10 * j + PARAMETERS.index(p) for p in ORDER for j in reversed(range(count))]
    order = links + [10 * count + j for j in range(count)]
    design = _design(leg, q, v, a)[0].reshape(60 * count, -1)
    return sorted(order[i] for i in independent(design[:, order]))


def _friction(leg: LegDescription) -> list[int]:
    count = len(leg.joints)
    return list(range(11 * count, 14 * count))


def gravity_moment(leg: LegDescription, model: Model, index: int) -> tuple[float, float]:
    """Largest torque of the leg's own weight about a joint, the others at zero, N*m; and its standard uncertainty."""
    count = len(leg.joints)
    poses = np.zeros((2, count))
    poses[1, index] = np.pi / 2  # torque over the angle is a sine: two points a quarter apart give its amplitude
    rows = _joint_rows(leg, poses, np.zeros((2, count)), index, gravity=True)
    parts = rows @ model.values
    value = float(np.hypot(*parts))
    return value, float(np.sqrt((row := parts @ rows / value) @ model.covariance @ row))


def apparent_inertia(leg: LegDescription, model: Model, index: int) -> tuple[float, float]:
    """Torque of a joint over its own acceleration, straight leg, rotors included, kg*m^2; and its uncertainty."""
    count = len(leg.joints)
    push = np.zeros((1, count))
    push[0, index] = 1.0
    (row,) = _joint_rows(leg, np.zeros((1, count)), push, index, gravity=False)
    return float(row @ model.values), float(np.sqrt(row @ model.covariance @ row))


def _joint_rows(
    leg: LegDescription, q: FloatArray, accelerations: FloatArray, index: int, *, gravity: bool
) -> FloatArray:
    """(rows, parameters) of one joint's torque at rest, without friction, in the model's parameters."""
    still = np.zeros_like(q)
    design, _ = _design(leg, q, still, accelerations)
    if not gravity:
        design = design - _design(leg, q, still, still)[0]
    design[:, :, _friction(leg)] = 0.0
    back = np.linalg.inv(np.asarray(leg.coupling, float)).T  # joint torques of motor torques
    joint = np.einsum("ja,rap->rjp", back, design)[:, index]
    return np.asarray(joint[:, _kept(leg) + _friction(leg)], float)


DECLARATION = Declaration(
    name="identification",
    title="gravity and inertia of the leg",
    method="all joints run a periodic path; a model of gravity, inertia and friction is fitted, and tried on another",
    quantities=("gravity_moment", "apparent_inertia", "prediction_error"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=2,
    posture="hanging, every joint around the middle of its hanging range",
    reference="internal: torque from current",
    duration_s=55.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Identify the leg: `gravity_moment` and `apparent_inertia` of every joint, `prediction_error` of the model."""
    return run_procedure(DECLARATION, bench)
