"""A simulated drive's sensors as objects of its dictionary, and the limits it watches with them."""

from __future__ import annotations

from legtest.simulation.axis import Axis, Reading
from legtest.simulation.config import DriveConfig
from legtest.simulation.dictionary import Dictionary
from legtest.simulation.emergency import FOLLOWING_ERROR, OVER_TEMPERATURE, OVER_VOLTAGE, UNDER_VOLTAGE
from legtest.simulation.motion import CYCLIC_POSITION, PROFILE_POSITION, Motion
from legtest.simulation.noise import normals

_WINDOW_OFF = 0xFFFFFFFF
_VOLTAGE_ENABLED, _WARNING, _FOLLOWING_ERROR_BIT = 0x10, 0x80, 0x2000


class Sensors:
    """The last reading, and the live objects made from it when somebody asks."""

    def __init__(self, dictionary: Dictionary, axis: Axis, config: DriveConfig, motion: Motion) -> None:
        self._read, self._motion, self._config = axis.read, motion, config
        self.reading = Reading(0.0, 0.0, 0.0, 0.0, 0.0)
        self.reading_ns = -1
        self._per_mille = config.sign * 1000.0 / config.rated_torque_Nm
        for index, source in (
            (0x2000, self._temperature),
            (0x6062, self._position_demand),
            (0x6064, self._position),
            (0x606C, self._velocity),
            (0x6077, self._torque),
            (0x6079, self._supply),
            (0x60F4, self._following_error),
        ):
            dictionary[index, 0].source = source

    def read(self, t_ns: int) -> Reading:
        """The sensors at an instant; kept for the objects."""
        self.reading_ns = t_ns
        reading = self.reading = self._read(t_ns)
        return reading

    def _position(self) -> int:
        return _int32(self.reading.position_rad * self._motion.counts_per_rad + self._motion.offset)

    def _velocity(self) -> int:
        return _int32(self.reading.velocity_rad_s * self._motion.counts_per_rad)

    def _torque(self) -> int:
        number = round(self.reading.torque_Nm * self._per_mille)
        return number if -32768 <= number <= 32767 else 32767 if number > 0 else -32768

    def _supply(self) -> int:
        config, volts = self._config, self.reading.supply_V * self._config.voltage_gain
        if config.voltage_noise_V:
            volts += config.voltage_noise_V * normals(config.noise_key, self.reading_ns)[0]
        return max(round(volts * 1000.0), 0)

    def _temperature(self) -> int:
        return min(max(round(self.reading.temperature_C * 10.0), -32768), 32767)

    def _position_demand(self) -> int:
        if not self._motion.energised:
            return self._position()
        return _int32(self._motion.demand_counts(self.reading_ns))

    def _following_error(self) -> int:
        return _int32(self._position_demand() - self._position()) if self._motion.follows_position else 0


class Protections:
    """What the drive protects itself against; each is checked against a reading."""

    def __init__(self, dictionary: Dictionary, config: DriveConfig, motion: Motion) -> None:
        self._config, self._motion = config, motion
        self._warning_C = config.winding_max_C - config.warning_K
        self._window, self._time_out = dictionary[0x6065, 0], dictionary[0x6066, 0]
        self._outside_since_ns: int | None = None

    def hardware(self, reading: Reading) -> int:
        """The error code of a supply or winding out of its limits, 0 if all is well."""
        config = self._config
        if reading.supply_V > config.supply_max_V:
            return OVER_VOLTAGE
        if reading.supply_V < config.supply_min_V:
            return UNDER_VOLTAGE
        return OVER_TEMPERATURE if reading.temperature_C > config.winding_max_C else 0

    def motion(self, t_ns: int, reading: Reading) -> int:
        """FOLLOWING_ERROR when the axis was outside the window 0x6065 for the time 0x6066, else 0."""
        window = self._window.value
        error = 0.0 if window == _WINDOW_OFF else self._motion.following_error(t_ns, reading.position_rad)
        if abs(error) <= window:
            self._outside_since_ns = None
            return 0
        if self._outside_since_ns is None:
            self._outside_since_ns = t_ns
        return FOLLOWING_ERROR if t_ns - self._outside_since_ns >= self._time_out.value * 1_000_000 else 0

    def status_bits(self, reading: Reading) -> int:
        """Bits 4, 7 and 13 of the statusword: supply there, winding close to its limit, following error too large."""
        bits = _VOLTAGE_ENABLED if reading.supply_V >= self._config.supply_min_V else 0
        if reading.temperature_C > self._warning_C:
            bits |= _WARNING
        if self._outside_since_ns is not None and self._motion.mode in (PROFILE_POSITION, CYCLIC_POSITION):
            bits |= _FOLLOWING_ERROR_BIT
        return bits


def _int32(value: float) -> int:
    """The nearest whole number; beyond 32 bits it wraps, as a counter does."""
    number = round(value)
    return number if -0x80000000 <= number <= 0x7FFFFFFF else (number + 0x80000000) % 0x100000000 - 0x80000000
