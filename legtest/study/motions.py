"""True figures of motions: the same tables played straight on the same parts, the same figures taken without noise.

What they cannot judge is the figure's own definition; what they judge is bus, sampling, noise, rounding and estimator.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from legtest.description import default_bench
from legtest.description.model import LegDescription
from legtest.kinematics import foot_of_joints
from legtest.metrology.positioning import path_accuracy, path_repeatability
from legtest.metrology.signals import track
from legtest.metrology.spectra import frequency_response, gain_crossing, phase_crossing
from legtest.metrology.steps import step_response
from legtest.procedures import cross_coupling, frequency, step, tracking
from legtest.procedures.posture import middle
from legtest.study import mechanics
from legtest.study.straight import Straight, played
from legtest.wiring import setup_of

if TYPE_CHECKING:
    from legtest.simulation.plant import Plant

FloatArray = NDArray[np.float64]
Figures = dict[str, float]

PERIOD_S = 0.004


def of_motion(plant: Plant, leg: LegDescription, quantity: str, subject: str) -> float | None:
    """The true value, SI, of a quantity that a motion defines; None where it is none of these."""
    for quantities, figures in _MOTIONS:
        if quantity in quantities:
            key = (plant, leg.sha256, figures.__name__, subject)
            if key not in _KNOWN:
                _KNOWN.clear()  # only the last leg's: a study goes through its legs one by one
                _KNOWN[key] = figures(plant, leg, subject)
            return _KNOWN[key].get(quantity)
    return None


_KNOWN: dict[tuple[object, ...], Figures] = {}


def _moved(pose: FloatArray, index: int, offsets: FloatArray) -> FloatArray:
    rows = np.tile(pose, (len(offsets), 1))
    rows[:, index] += offsets
    return rows


def _after(motion: Straight, begin_s: float, length_s: float) -> slice:
    first = int(np.searchsorted(motion.t_s, begin_s - 1e-9))
    return slice(first, first + round(length_s / (motion.t_s[1] - motion.t_s[0])))


def _steps(plant: Plant, leg: LegDescription, joint: str) -> Figures:
    index = leg.joint_names.index(joint)
    speed = step.SPEED_SHARE * setup_of(leg, default_bench()).joints[index].speed_rad_s
    pose = middle(leg, leg.joint(joint), max(step.SIZES_RAD.values()))
    found: Figures = {}
    for name, size in step.SIZES_RAD.items():
        one = step.flank(size, speed, PERIOD_S)
        offsets = np.concatenate([one, size - one] * (step.REPEATS + 1))
        motion = played(plant, leg, _moved(pose, index, offsets), PERIOD_S)
        ways: list[list[FloatArray]] = [[], []]
        for k in range(2, 2 * step.REPEATS + 2):  # the first two have another friction behind them
            begin = k * len(one) * PERIOD_S
            before = motion.joints_rad[_after(motion, begin - 0.02, 0.02), index].mean()
            part = motion.joints_rad[_after(motion, begin, step.HOLD_S), index]
            end = part[-round(step.END_S / 5e-4) :].mean()
            ways[k % 2].append((part - before) / (end - before))
        t = np.arange(len(ways[0][0])) * 5e-4
        figures = [step_response(t, np.mean(way, axis=0), band=step.BAND, parts=1) for way in ways]
        rise, overshoot, settling = np.mean([(f.rise_s, f.overshoot, f.settling_s) for f in figures], axis=0)
        prefix = step.NAMES[name]
        found |= {f"{prefix}_rise": rise, f"{prefix}_overshoot": overshoot, f"{prefix}_settling": settling}
    return {name: float(value) for name, value in found.items()}


def _frequencies(plant: Plant, leg: LegDescription, joint: str) -> Figures:
    index, found = leg.joint_names.index(joint), Figures()
    tables = {n: frequency.excitation(PERIOD_S, v) for n, v in frequency.SPEEDS_RAD_S.items()}
    pose = middle(leg, leg.joint(joint), float(max(np.abs(table).max() for table in tables.values())))
    lines = frequency.lines_of(PERIOD_S)
    for name, table in tables.items():
        motion = played(plant, leg, _moved(pose, index, table), PERIOD_S)
        fine = np.interp(motion.t_s, np.arange(len(table)) * PERIOD_S, table)
        # On the rows' own instants, as the host knows its set-points; the drive's line between them is in the answer.
        rows = slice(_after(motion, frequency.RUN_IN * frequency.BASE_S, 1.0).start, None, round(PERIOD_S / 5e-4))
        got = frequency_response(motion.t_s[rows], fine[rows], motion.joints_rad[rows, index], lines, frequency.BASE_S)
        everything = np.ones(len(lines), bool)
        prefix = "" if name == "large" else "small_"
        found |= {
            f"{prefix}bandwidth": gain_crossing(got, frequency.HALF_POWER, everything)[0],
            f"{prefix}phase_bandwidth": phase_crossing(got, -np.pi / 2, everything)[0],
            f"{prefix}phase_lag": frequency.lag(got, everything)[0],
        }
    return found


def _coupling(plant: Plant, leg: LegDescription, joint: str) -> Figures:
    index = leg.joint_names.index(joint)
    one = cross_coupling.bump(PERIOD_S)
    rows = _moved(middle(leg, leg.joint(joint), cross_coupling.SIZE_RAD), index, np.tile(one, 4))
    motion = played(plant, leg, rows, PERIOD_S)
    ratios = []
    for k in (1, 2, 3):
        begin = k * len(one) * PERIOD_S
        part = motion.joints_rad[_after(motion, begin, 2 * cross_coupling.THERE_S + cross_coupling.REST_S / 2)]
        ratios.append(cross_coupling.ratio(part - part[0], index)[0])
    return {"cross_coupling": float(np.mean(ratios))}


def _path(plant: Plant, leg: LegDescription, subject: str) -> Figures:
    """Of the foot's ellipse: what the figures of the path are when every row is known exactly."""
    cycles, frequency_hz = tracking.CYCLES, tracking.FREQUENCY_HZ
    rows = tracking.ellipse(leg, PERIOD_S, cycles, frequency_hz)
    motion = played(plant, leg, rows, PERIOD_S)
    at = (motion.t_s >= 0) & (np.arange(len(motion.t_s)) % 8 == int(np.searchsorted(motion.t_s, 0.0)) % 8)
    t, actual = motion.t_s[at], motion.joints_rad[at]
    command = rows[: len(t)]
    moved = [foot_of_joints(leg, q) for q in (command, actual)]
    split = track(t, *moved, most_delay_s=0.1)
    whole = tracking.cycles_of(t, moved[1], moved[0], cycles, frequency_hz)
    found = {
        "path_residual": split.residual_rms, "path_delay": split.delay_s, "path_gain_error": split.gain - 1,
        "path_accuracy": path_accuracy(*whole), "path_repeatability": path_repeatability(whole[0]).value,
    }  # fmt: skip
    if subject in leg.joint_names:
        index = leg.joint_names.index(subject)
        found = {"following_error": float(np.abs(command[:, index] - actual[:, index]).max())}
    return {name: float(value) for name, value in found.items()}


_MOTIONS: tuple[tuple[tuple[str, ...], Callable[..., Figures]], ...] = (
    (step.DECLARATION.quantities, _steps),
    (frequency.DECLARATION.quantities, _frequencies),
    (cross_coupling.DECLARATION.quantities, _coupling),
    (("gravity_moment", "apparent_inertia"), mechanics.links),
    (("stand_stiffness", "foot_stiffness"), mechanics.stiffness),
    (("stand_frequency", "stand_damping"), mechanics.ring),
    (("landing_torque", "landing_compression", "landing_rebound"), mechanics.landing),
    (("path_residual", "path_delay", "path_gain_error", "path_accuracy", "path_repeatability", "following_error"),
     _path),
)  # fmt: skip
