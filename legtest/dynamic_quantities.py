"""Quantities of moving legs and of their stand; see `legtest.quantities`."""

from __future__ import annotations

from legtest.quantity import Quantity

DYNAMIC = (
    Quantity("step_rise", "rise time", "time", "time from 10 % to 90 % of a step of 0.01 rad of the joint's set-point"),
    Quantity(
        "step_overshoot",
        "overshoot",
        "ratio",
        "how far a step of 0.01 rad goes beyond where it comes to rest, over its size",
    ),
    Quantity(
        "step_settling",
        "settling time",
        "time",
        "time from the beginning of a step of 0.01 rad until it stays within 2 %",
    ),
    Quantity(
        "large_step_rise",
        "rise time, large step",
        "time",
        "time from 10 % to 90 % of a step of 0.1 rad at the speed limit",
    ),
    Quantity(
        "large_step_overshoot",
        "overshoot, large step",
        "ratio",
        "how far a step of 0.1 rad goes beyond where it comes to rest",
    ),
    Quantity(
        "large_step_settling",
        "settling time, large step",
        "time",
        "time from the beginning of a step of 0.1 rad until 2 %",
    ),
    Quantity(
        "bandwidth", "bandwidth", "frequency", "frequency at which the position answers with half the power", "smaller"
    ),
    Quantity(
        "phase_bandwidth", "phase bandwidth", "frequency", "frequency at which the position is 90 deg behind", "smaller"
    ),
    Quantity(
        "small_bandwidth",
        "bandwidth, small motion",
        "frequency",
        "as bandwidth, at a third of the amplitude",
        "smaller",
    ),
    Quantity(
        "small_phase_bandwidth",
        "phase bandwidth, small motion",
        "frequency",
        "as phase_bandwidth, at a third of the amplitude",
        "smaller",
    ),
    Quantity("phase_lag", "phase lag", "angle", "by how much the position is behind the set-point at 10 Hz"),
    Quantity("small_phase_lag", "phase lag, small motion", "angle", "as phase_lag, at a third of the amplitude"),
    Quantity(
        "cross_coupling",
        "cross-coupling",
        "ratio",
        "largest deviation of a held joint over the excursion of a moved one",
    ),
    Quantity("gravity_moment", "gravity moment", "torque", "largest torque of the leg's own weight about the joint"),
    Quantity(
        "apparent_inertia",
        "apparent inertia",
        "inertia",
        "torque over acceleration of the joint, straight leg, rotors included",
    ),
    Quantity(
        "prediction_error",
        "prediction error",
        "torque",
        "root mean square of motor torque that the identified model leaves over on a path it was not fitted to",
    ),
    Quantity(
        "stand_frequency",
        "stand's first frequency",
        "frequency",
        "at which the stand rings in the direction of walking",
        "smaller",
    ),
    Quantity("stand_damping", "stand's damping", "ratio", "damping of that vibration over the critical one", "smaller"),
    Quantity(
        "stand_stiffness",
        "stand stiffness",
        "stiffness",
        "force at the foot over the stand's deflection, along x",
        "smaller",
    ),
    Quantity(
        "foot_stiffness",
        "foot stiffness",
        "stiffness",
        "force at the foot over its commanded displacement along x, the stand's give taken out",
        "smaller",
    ),
    Quantity(
        "landing_torque", "landing torque", "ratio", "largest torque of a motor in a landing over what it may give"
    ),
    Quantity("landing_compression", "landing compression", "length", "how much the leg shortens in a landing, at most"),
    Quantity(
        "landing_rebound",
        "landing rebound",
        "ratio",
        "how far the leg goes beyond where it comes to rest after a landing, over how far it was compressed",
    ),
)
