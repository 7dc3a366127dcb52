"""What is measured before motion, of the communication, of supply and heat: a part of the catalogue of quantities."""

from __future__ import annotations

from legtest.quantity import Quantity

ELECTRIC = (
    Quantity(
        "identity_mismatches", "identity mismatches", "ratio",
        "identity numbers and written settings in which the drives are not what the leg file says, counted",
    ),
    Quantity(
        "stray_motion", "stray motion", "ratio",
        "largest motion that other motors report over that of the one that is turned",
    ),
    Quantity(
        "motion_torque", "torque in the direction of motion", "torque",
        "torque that turns the unloaded motor slowly; negative where torque and encoder count oppositely", "smaller",
    ),
    Quantity("stuck_bits", "stuck bits", "ratio", "lower bits of a position that never change while it moves, counted"),
    Quantity("position_noise", "position noise", "angle", "standard deviation of one position reading at rest"),
    Quantity("torque_noise", "torque noise", "torque", "standard deviation of one torque reading without power"),
    Quantity("torque_zero", "torque zero", "torque", "mean torque reading without power", "away"),
    Quantity(
        "offset_change", "change of offset", "angle",
        "largest change of a still joint's reading when its drive's supply was off and on, over all poses", "away",
    ),
    Quantity(
        "reply_time", "reply time", "time",
        "from a request to the drive's answer, the answer's own length on the bus left out",
    ),
    Quantity("reply_time_p99", "reply time, 99 %", "time", "what 99 of 100 answers to requests stay below"),
    Quantity(
        "telemetry_delay", "telemetry delay", "time",
        "from SYNC to the telemetry it asks for, as the host gets it, median",
    ),
    Quantity("telemetry_delay_p99", "telemetry delay, 99 %", "time", "what 99 of 100 telemetry frames stay below"),
    Quantity(
        "telemetry_delay_max", "telemetry delay, largest", "time",
        "largest delay that was seen; says nothing of rarer ones",
    ),
    Quantity(
        "cycle_jitter", "cycle jitter", "time",
        "what 99 of 100 distances of two SYNC stay within, about the period",
    ),
    Quantity(
        "loss_reaction_time", "reaction to communication loss", "time",
        "from the last heartbeat to the energised drive's own report that it misses the host",
    ),
    Quantity(
        "loss_off_time", "power off after communication loss", "time",
        "from the last heartbeat until the drive is off",
    ),
    Quantity(
        "emergency_stop_time", "reaction to the emergency stop", "time",
        "from its contact until the drive is off",
    ),
    Quantity(
        "emergency_stop_travel", "travel after the emergency stop", "angle",
        "how far a loaded joint goes once power is gone",
    ),
    Quantity(
        "winding_rise", "rise of the winding", "temperature_difference",
        "how much warmer than its housing the winding becomes at rated torque, for ever",
    ),
    Quantity(
        "winding_time", "time constant of the winding", "time",
        "time constant of the winding against its housing", "away",
    ),
    Quantity(
        "continuous_torque", "continuous torque", "torque",
        "torque that warms the winding to 90 degC in the long run, the housing's share extrapolated", "smaller",
    ),
    Quantity("source_resistance", "source resistance", "resistance", "voltage at the drives lost per current drawn"),
    Quantity(
        "supply_rise", "supply rise", "voltage",
        "rise of the supply above its voltage at rest while a moving leg is braked",
    ),
    Quantity("supply_peak", "supply peak", "voltage", "highest voltage while a moving leg is braked"),
    Quantity(
        "warm_up_change", "change by warming up", "ratio",
        "how much more the joint drags in the beginning than once it has settled", "away",
    ),
    Quantity(
        "warm_up_time", "warm-up time", "time",
        "motion after which the drag stays within 2 % of where it settles",
    ),
)
