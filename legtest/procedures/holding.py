"""Holding-torque compliance: what a known mass on the foot does to torque, position and the torque limit.

Everything is measured twice, with the mass and without it, and at the same joint angle, so that the leg's own weight
drops out; and from both directions, so that friction drops out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from legtest.bench import Bench, Sample
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.fitting import line_fit_without_spikes
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures import homing
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.procedures.posture import loaded, weight_torques
from legtest.records.recorded import Recorded
from legtest.records.trace import Trace

FloatArray = NDArray[np.float64]

SWEEP_RAD, SWEEP_RAD_S, SWEEPS = 0.06, 0.12, 2
WINDOW_RAD = 0.03  # around the middle of a sweep
YIELD_RAD = 0.03  # how far the joint may give way before the cap rises again
ONSET_RAD = 0.002  # motion that counts as giving way, or as coming back
YIELD_NM_S = 0.3
CAP_ABOVE_NM, CAP_BELOW_NM = 0.3, 1.2  # of the holding torque, where the sinking cap begins and ends
CATCH_NM = 0.15  # by which the cap jumps up once the joint gives way, so that friction catches it
CAP_RETURN_NM = 1.2  # above the holding torque, where the rising cap ends
HOLD_S = 5.0
LENGTH_U_M = 0.3e-3  # standard uncertainty of a link length of the drawing
SAME_FRICTION = 20  # neighbouring samples of a sweep that count as one: they share the friction of their place
# Of a joint angle in space: home stop by the drawing (0.1 deg) and its seat (0.1 deg), play and wind-up under the load
# (0.2 to 0.4 deg, which the encoder does not see), stand out of plumb (0.1 deg).
ANGLE_U_RAD = 5e-3
G_U = 1.5e-3  # relative: local gravity against the standard value


def move(bench: Bench, joint: JointDescription) -> Recorded:
    """Sweep slowly through a loaded posture, let the torque cap sink until the joint yields, and hold; twice."""
    homing.ensure(bench)
    index = bench.leg.joint_names.index(joint.name)
    pose = loaded(bench.leg, joint)
    mass = bench.description
    arguments = {
        "pose_rad": pose.tolist(),
        "mass_kg": mass.known_mass_kg or 0.0,
        "mass_u_kg": mass.known_mass_u_kg,
    }
    with bench.recording(DECLARATION.name, joint.name, DECLARATION.method, **arguments) as recording:
        for setup, word in ((SetUp.CLAMPED, "empty"), (SetUp.MASS, "mass")):
            bench.arrange(setup)
            with bench.energised():
                _measure(bench, index, pose, word)
                if setup is SetUp.MASS:
                    _give_way(bench, index, pose)
                    bench.wait(HOLD_S, "hold")
        bench.arrange(SetUp.CLAMPED)
    return taken(recording.result)


def _measure(bench: Bench, index: int, pose: FloatArray, word: str) -> None:
    bench.move_to(pose)
    start = np.tile(pose, (2, 1))
    quarter = np.linspace(0, SWEEP_RAD, max(2, round(SWEEP_RAD / SWEEP_RAD_S / (bench.period_ns * 1e-9))))
    down = np.concatenate([quarter[::-1], -quarter[1:]])
    rows = _moved(pose, index, quarter)
    bench.follow(rows)
    for _ in range(SWEEPS):
        bench.follow(_moved(pose, index, down), label=f"{word} down")
        bench.follow(_moved(pose, index, down[::-1]), label=f"{word} up")
    bench.follow(_moved(pose, index, quarter[::-1]))
    bench.follow(start)


def _give_way(bench: Bench, index: int, pose: FloatArray) -> None:
    """Sink the torque cap until the joint gives way, let friction catch it, and raise the cap until it is back."""
    torque = abs(bench.sample().torques_Nm[index])
    caps = np.array([j.torque_Nm for j in bench.leg.joints])
    steps = round((CAP_ABOVE_NM + CAP_BELOW_NM) / YIELD_NM_S / (bench.period_ns * 1e-9))
    sinking = np.tile(caps, (steps, 1))
    sinking[:, index] = np.maximum(np.linspace(torque + CAP_ABOVE_NM, torque - CAP_BELOW_NM, steps), 0.0)
    bench.wait(0.3, "before")
    held = bench.sample().joints_rad[index]

    def gave_way(sample: Sample) -> bool:
        return abs(sample.joints_rad[index] - held) > YIELD_RAD

    hold = np.tile(pose, (steps, 1))
    bench.follow(hold, sinking, label="yield", until=gave_way)
    caught, top = bench.caps_Nm[index] + CATCH_NM, torque + CAP_RETURN_NM
    steps = max(2, round((top - caught) / YIELD_NM_S / (bench.period_ns * 1e-9)))
    rising = np.tile(caps, (steps, 1))
    rising[:, index] = np.linspace(caught, top, steps)
    hold = np.tile(pose, (steps, 1))
    bench.follow(hold, rising, label="return")
    bench.follow(np.tile(pose, (2, 1)), caps)
    bench.wait(0.3, "after")


def _moved(pose: FloatArray, index: int, offsets: FloatArray) -> FloatArray:
    rows = np.tile(pose, (len(offsets), 1))
    rows[:, index] += offsets
    return rows


class _Pair(NamedTuple):
    """A figure without and with the mass, free of friction, at the same joint angle; and its standard uncertainty."""

    change: float
    u: float


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """Torque, stiffness and yield against the torque that the mass exerts; return after yielding; creep in holding."""
    joint, index, arguments = recorded.joint, recorded.joint_index(), recorded.arguments
    at = _common_angle(recorded, index)
    loaded_pose = _loaded_pose(recorded, index, at)
    weight = float(weight_torques(recorded.leg, loaded_pose, arguments["mass_kg"])[index])
    lever = _lever(recorded, loaded_pose, index, weight, arguments)
    torque = _swept(recorded, index, at, "torque")
    error = _swept(recorded, index, at, "error")
    stiffness = joint.drive.stiffness_Nm_per_rad
    return (
        _ratio("holding_torque_ratio", joint, torque.change / weight, torque.u / abs(weight), lever, weight),
        _ratio(
            "stiffness_ratio", joint, weight / (error.change * stiffness),
            error.u / abs(error.change) * abs(weight / (error.change * stiffness)), lever, weight,
        ),
        _yield(recorded, joint, index, arguments),
        _returned(recorded, joint, index),
        _drift(recorded, joint, index),
    )  # fmt: skip


def _common_angle(recorded: Recorded, index: int) -> float:
    """The joint angle in the middle of all sweeps, loaded and not."""
    traces = [t for word in ("empty", "mass") for way in ("down", "up") for t in recorded.traces(f"{word} {way}")]
    return float(np.mean([np.nanmean(recorded.joints(trace)[:, index]) for trace in traces]))


def _loaded_pose(recorded: Recorded, index: int, at: float) -> FloatArray:
    """Joint angles (joints,) with the mass: the others give way to it as well, and are taken where they were."""
    traces = [t for way in ("down", "up") for t in recorded.traces(f"mass {way}")]
    pose = np.asarray(np.mean([np.nanmean(recorded.joints(trace), axis=0) for trace in traces], axis=0), float)
    pose[index] = at
    return pose


def _swept(recorded: Recorded, index: int, at: float, what: str) -> _Pair:
    """Change of torque or position error with the mass, at one joint angle, mean of both directions."""
    means, variance = [], 0.0
    for word in ("empty", "mass"):
        ways = []
        for way in ("down", "up"):
            found = [_at_angle(recorded, t, index, at, what) for t in recorded.traces(f"{word} {way}")]
            ways.append(float(np.mean([value for value, _ in found])))
            # The scatter along a sweep is friction over the angle: the same both ways and with the mass, so it is not
            # averaged down; the larger of fit and repeat stands for it.
            fitted = max(u for _, u in found)
            repeat = float(np.std([value for value, _ in found], ddof=1)) if len(found) > 1 else 0.0
            variance += (max(fitted, repeat) / 2) ** 2
        means.append(float(np.mean(ways)))
    return _Pair(means[1] - means[0], float(np.sqrt(variance)))


def _at_angle(recorded: Recorded, trace: Trace, index: int, at: float, what: str) -> tuple[float, float]:
    name = recorded.leg.joint_names[index]
    angle = recorded.joints(trace)[:, index]
    position = trace.column(f"{name}.position")
    value = trace.column(f"{name}.torque") if what == "torque" else trace.column(f"{name}.setpoint") - position
    near = np.isfinite(angle) & np.isfinite(value) & (np.abs(angle - at) < WINDOW_RAD)
    fit = line_fit_without_spikes(angle[near] - at, value[near])
    independent = max(4.0, near.sum() / SAME_FRICTION)
    return float(fit.coefficients[0]), fit.residual_sd / np.sqrt(independent)


def _lever(
    recorded: Recorded, pose: FloatArray, index: int, weight: float, arguments: dict[str, float]
) -> tuple[BudgetLine, ...]:
    """Relative uncertainty of the torque that the mass exerts."""
    mass = arguments["mass_kg"]
    turned = []
    for j in range(len(pose)):
        step = np.zeros(len(pose))
        step[j] = ANGLE_U_RAD
        turned.append(float(weight_torques(recorded.leg, pose + step, mass)[index]) - weight)
    length = recorded.leg.geometry.thigh_m + recorded.leg.geometry.shank_m
    return (
        BudgetLine("known mass", arguments["mass_u_kg"] / mass, systematic=True),
        BudgetLine("link lengths", LENGTH_U_M / length * np.sqrt(2), systematic=True),
        BudgetLine("angles in space", float(np.linalg.norm(turned)) / abs(weight), systematic=True),
        BudgetLine("local gravity", G_U, systematic=True),
    )


def _ratio(
    name: str, joint: JointDescription, value: float, u: float, lever: tuple[BudgetLine, ...], weight: float
) -> Measurement:
    budget = (
        BudgetLine("friction along the sweep and noise", u, 6, "A"),
        *(BudgetLine(line.source, line.u * abs(value), systematic=True) for line in lever),
    )
    covariates = {"load_Nm": weight}
    return measurement(name, joint.name, value, budget, reference="external", covariates=covariates)


class _Onset(NamedTuple):
    """The torque cap at which a joint began to move, and its angle there."""

    cap_Nm: float
    angle_rad: float


def _onsets(recorded: Recorded, index: int) -> tuple[_Onset, _Onset] | None:
    """Where the joint gave way under the sinking cap, and where it came back under the rising one."""
    name = recorded.leg.joint_names[index]
    before = float(np.nanmean(recorded.joints(recorded.trace("before"))[:, index]))
    sinking, rising = recorded.trace("yield"), recorded.trace("return")
    gave = _first_away(recorded.joints(sinking)[:, index], before, sinking.column(f"{name}.torque_cap"))
    angle = recorded.joints(rising)[:, index]
    furthest = int(np.nanargmax(np.abs(angle - before)))
    cap = rising.column(f"{name}.torque_cap")
    came = _first_away(angle[furthest:], float(angle[furthest]), cap[furthest:])
    return (gave, came) if gave is not None and came is not None else None


def _first_away(angle: FloatArray, start: float, cap: FloatArray) -> _Onset | None:
    away = np.flatnonzero(np.abs(angle - start) > ONSET_RAD)
    return _Onset(float(cap[away[0]]), start) if len(away) and np.isfinite(cap[away[0]]) else None


def _yield(recorded: Recorded, joint: JointDescription, index: int, arguments: dict[str, float]) -> Measurement:
    """Torque of the mass over its share of the torque cap at which the joint moves.

    The joint gives way at its load less friction and comes back at its load plus friction: the mean of the two caps is
    the load, at the mean of the two angles. The leg's own weight is what the drive read there without the mass.
    """
    onsets = _onsets(recorded, index)
    if onsets is None:
        reason = "the joint did not give way and come back"
        return measurement("yield_ratio", joint.name, np.nan, (), reference="external", invalid=reason)
    poses = np.stack([_loaded_pose(recorded, index, onset.angle_rad) for onset in onsets])
    weight = float(np.mean(weight_torques(recorded.leg, poses, arguments["mass_kg"])[:, index]))
    pose = poses.mean(axis=0)
    own, u_own = _own_torque(recorded, index, float(pose[index]))
    load = (onsets[0].cap_Nm + onsets[1].cap_Nm) / 2
    friction = abs(onsets[0].cap_Nm - onsets[1].cap_Nm) / 2
    change = load - np.sign(weight) * own
    value = float(abs(weight) / change)
    relative = (
        # Friction while giving way and while coming back may differ by a tenth of it.
        BudgetLine("friction unlike both ways", 0.1 * friction / change),
        # What the drive caps and what it reads may differ by a fiftieth.
        BudgetLine("own weight of the leg", float(np.hypot(u_own, 0.02 * own)) / change),
        BudgetLine("step of the cap", YIELD_NM_S * recorded.timing.period_ns * 1e-9 / change),
        *_lever(recorded, pose, index, weight, arguments),
    )
    budget = [BudgetLine(line.source, line.u * abs(value), systematic=line.systematic) for line in relative]
    covariates = {"load_Nm": weight, "friction_Nm": friction}
    return measurement("yield_ratio", joint.name, value, budget, reference="external", covariates=covariates)


def _own_torque(recorded: Recorded, index: int, at: float) -> tuple[float, float]:
    """The drive's torque under the leg's own weight at an angle, free of friction, and its standard uncertainty."""
    name, ends, us = recorded.leg.joint_names[index], [], []
    for way in ("down", "up"):
        for trace in recorded.traces(f"empty {way}"):
            angle, torque = recorded.joints(trace)[:, index], trace.column(f"{name}.torque")
            good = np.isfinite(angle) & np.isfinite(torque)
            fit = line_fit_without_spikes(angle[good] - at, torque[good])
            ends.append(float(fit.coefficients[0]))
            # Neighbouring samples share the same friction.
            us.append(fit.u(0) * np.sqrt(min(SAME_FRICTION, good.sum() / 4)))
    return float(np.mean(ends)), float(np.mean(us))


def _returned(recorded: Recorded, joint: JointDescription, index: int) -> Measurement:
    before = recorded.joints(recorded.trace("before"))[:, index]
    after = recorded.joints(recorded.trace("after"))[:, index]
    budget = _angle_budget(joint, before, after)
    value = float(np.nanmean(after) - np.nanmean(before))
    return measurement("return_error", joint.name, value, budget, reference="internal")


def _drift(recorded: Recorded, joint: JointDescription, index: int) -> Measurement:
    trace = recorded.trace("hold")
    angle = recorded.joints(trace)[:, index]
    part = len(angle) // 5
    first, last = angle[part // 2 : part], angle[-(part - part // 2) :]
    value = float(np.nanmean(last) - np.nanmean(first))
    return measurement(
        "holding_drift", joint.name, value, _angle_budget(joint, first, last), reference="internal",
        covariates={"held_s": HOLD_S, **_held(trace, joint.name)},
    )  # fmt: skip


def _held(trace: Trace, name: str) -> dict[str, float]:
    """Droop, torque and warming while the joint holds, as covariates; what the drive does not tell is left out."""
    torque, droop = trace.column(f"{name}.torque"), trace.column(f"{name}.setpoint") - trace.column(f"{name}.position")
    found = {"torque_Nm": float(np.nanmean(torque)), "droop_rad": float(np.nanmean(droop))}
    warm = trace.columns.get(f"{name}.temperature")
    known = warm[np.isfinite(warm)] if warm is not None else np.empty(0)
    return found | ({"warmed_by_K": float(known[-1] - known[0])} if len(known) else {})


def _angle_budget(joint: JointDescription, first: FloatArray, last: FloatArray) -> tuple[BudgetLine, ...]:
    step = 2 * np.pi / joint.drive.counts_per_turn
    noise = float(np.hypot(np.nanstd(first), np.nanstd(last)))
    return (
        BudgetLine("noise of the two readings", noise / np.sqrt(min(len(first), len(last)) / 5), 20, "A"),
        BudgetLine("encoder resolution", step * np.sqrt(2 / 12)),
    )


DECLARATION = Declaration(
    name="holding",
    title="holding-torque compliance",
    method="torque, droop and yield with a known mass on the foot and without, at the same angle, both ways",
    quantities=("holding_torque_ratio", "stiffness_ratio", "yield_ratio", "return_error", "holding_drift"),
    per_joint=True,
    setups=(SetUp.CLAMPED, SetUp.MASS),
    energy_class=2,
    posture="the joint turned until the foot's weight loads it with three quarters of the most",
    reference="external: the known mass and the link lengths",
    duration_s=30.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench, joint: JointDescription) -> tuple[Measurement, ...]:
    """Measure how a joint holds: torque, stiffness, yield, return and drift (five quantities)."""
    return run_procedure(DECLARATION, bench, joint)
