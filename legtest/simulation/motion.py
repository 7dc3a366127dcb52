"""What a simulated drive does with its axis while energised: modes of operation, limits, ramps (CiA 402).

Positions are in counts here and become radians only in the calls to the axis. Everything ends by itself: set-points
are held when no new one comes, ramps run from the drive's own tick.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from legtest.simulation.axis import Axis, Reading
from legtest.simulation.config import DriveConfig
from legtest.simulation.dictionary import Dictionary, between, one_of
from legtest.simulation.profile import Profile, move, stop

TICK_NS = 4_000_000
NO_MODE, PROFILE_POSITION, HOMING, CYCLIC_POSITION, CYCLIC_TORQUE = 0, 1, 6, 8, 10
PRESENT_POSITION = (35, 37)  # homing methods: the present position becomes the home offset
_NEW_SET_POINT = _START_HOMING = 0x10
_AT_ONCE, _RELATIVE, _HALT = 0x20, 0x40, 0x100
_TARGET_REACHED, _LIMIT_ACTIVE, _BIT_12, _BIT_13 = 0x400, 0x800, 0x1000, 0x2000
Then = Callable[[int], None]


class Motion:
    """Modes of operation of one axis. `tick` is called by the drive every TICK_NS while energised."""

    def __init__(self, dictionary: Dictionary, axis: Axis, config: DriveConfig) -> None:
        self._axis, self._config = axis, config
        self._Nm = config.sign * config.rated_torque_Nm / 1000.0  # per mille to N*m at the axis
        self.counts_per_rad = config.sign * config.counts_per_turn / math.tau
        self.offset = 0  # counts = angle x counts_per_rad + offset; set by homing
        self.energised = False
        self._dictionary = dictionary
        (self._target, self._torque, self._torque_offset, self._max_torque, self._positive, self._negative) = (
            dictionary[index, 0] for index in (0x607A, 0x6071, 0x60B2, 0x6072, 0x60E0, 0x60E1)
        )
        self._low, self._high = dictionary[0x607D, 1], dictionary[0x607D, 2]
        for entry in (self._target, self._torque, self._torque_offset):
            entry.written = self._fresh
        for entry in (self._max_torque, self._positive, self._negative):
            entry.written = self._limits_written
        for sub in (1, 2):
            dictionary[0x60C2, sub].written = self._period_written
        dictionary[0x60C2, 2].check = between(-6, 0)
        dictionary[0x6060, 0].check = one_of(NO_MODE, PROFILE_POSITION, HOMING, CYCLIC_POSITION, CYCLIC_TORQUE)
        dictionary[0x6060, 0].written = self._mode_written
        dictionary[0x6098, 0].check = one_of(0, *PRESENT_POSITION)
        self.reset()

    def reset(self) -> None:
        """As after power-up, with the objects at their defaults; the power stage must be off."""
        self.mode = NO_MODE
        self.offset = 0
        self.stopping = False
        self.halted = False
        self._set_point_new = False
        self._limits_new = True
        self._caps: tuple[int, ...] = ()  # as last given to the axis
        self._clamped = False
        self._controlword = 0
        self._homed: bool | None = None  # None: not tried since enabled
        self._demand = 0.0  # counts, where the demand ends
        self._profile: Profile | None = None
        self._profile_start_ns = 0
        self._then: Then | None = None
        self._waiting_target: float | None = None
        self._next_tick_ns = 0
        self._threshold_positive = self._threshold_negative = 0.0
        self._period_written(0)

    # -- power stage

    def switch_on(self, t_ns: int, reading: Reading) -> None:
        """Energise; the demand is the present position, 0x607A too, so that no old target acts."""
        self.energised = True
        self._homed = None
        self._end_profile()
        self._axis.enable(t_ns, True)
        self._demand = self.counts(self._axis.demand_rad(t_ns))
        self._target.value = round(self.counts(reading.position_rad))
        self._set_point_new = self._clamped = False
        self._apply_limits(t_ns)
        self._next_tick_ns = t_ns + TICK_NS

    def switch_off(self, t_ns: int) -> None:
        """No torque."""
        self.energised = False
        self._end_profile()
        self._axis.enable(t_ns, False)

    # -- set-points

    def act(self, t_ns: int) -> None:
        """Carry out what was written to the set-points and limits since the last call."""
        if self._limits_new:
            self._apply_limits(t_ns)
        if not self._set_point_new:
            return
        self._set_point_new = False
        if not self.energised or self.stopping or self.halted:
            return
        if self.mode == CYCLIC_POSITION:
            target = self._demand = self._clamp(self._target.value)
            angle = (target - self.offset) / self.counts_per_rad
            self._axis.follow(t_ns, angle, self._period_ns, self._torque_offset.value * self._Nm)
        elif self.mode == CYCLIC_TORQUE:
            self._axis.push(t_ns, (self._torque.value + self._torque_offset.value) * self._Nm)

    def controlword(self, t_ns: int, word: int) -> None:
        """The mode's own bits of a controlword, while operation is enabled."""
        rising, self._controlword = word & ~self._controlword, word
        if not self.energised or (self.stopping and not self.halted):
            return
        if rising & _HALT:
            self._halt(t_ns)
        elif self.halted and not word & _HALT:
            self.halted = self.stopping = False
            if self.mode == PROFILE_POSITION:
                self._plan(t_ns, self._profile_target)
            else:
                self._profile = None
        if rising & _NEW_SET_POINT and self.mode == PROFILE_POSITION:
            self._new_set_point(t_ns, word)
        if rising & _START_HOMING and self.mode == HOMING:
            self._home(t_ns)

    def _new_set_point(self, t_ns: int, word: int) -> None:
        target = float(self._target.value)
        if word & _RELATIVE:
            target += self._profile_target
        if self._profile is None or word & _AT_ONCE:
            self._plan(t_ns, target)
        else:
            self._waiting_target = target

    def _home(self, t_ns: int) -> None:
        """Methods 35 and 37: the numbers shift, the axis does not move."""
        self._homed = self._dictionary.number(0x6098) in PRESENT_POSITION
        if self._homed:
            here = self.counts(self._axis.read(t_ns).position_rad)
            shift = self._dictionary.number(0x607C) - round(here)
            self.offset += shift
            self._demand += shift
            self._profile_target += shift
            self._target.value = self._dictionary.number(0x607C)

    # -- ramps

    def ramp(
        self, t_ns: int, reading: Reading, deceleration: float, then: Then | None, from_here: bool = False
    ) -> None:
        """Bring the axis to rest, then call `then(t_ns)`.

        deceleration: counts/s^2; inf or 0: as hard as the torque limits allow. The ramp starts at the demand, as fast
        as the axis is; from_here: where the axis is (after a following error; always in torque mode).
        """
        if self._profile and not from_here:
            position, velocity = self._demand_now(t_ns)
        else:
            velocity = reading.velocity_rad_s * self.counts_per_rad  # the demand may just have ended
            if from_here or self.mode == CYCLIC_TORQUE:
                self._axis.follow(t_ns, reading.position_rad, 0, 0.0)
            position = self.demand_counts(t_ns)
        self.stopping = True
        self._waiting_target = None
        self._start(t_ns, stop(position, velocity, deceleration or math.inf), then)

    def resume(self, t_ns: int) -> None:
        """Operation goes on before or after a ramp's end."""
        self._end_profile()
        self._set_point_new = False

    def _halt(self, t_ns: int) -> None:
        self.halted = True
        option = self._dictionary.number(0x605D)
        rate = {1: self._dictionary.number(0x6084), 2: self._dictionary.number(0x6085)}.get(option, 0)
        self.ramp(t_ns, self._axis.read(t_ns), rate, self._halt_done)

    def _halt_done(self, t_ns: int) -> None:
        self.stopping = False

    def _plan(self, t_ns: int, target: float) -> None:
        number = self._dictionary.number
        position, velocity = self._demand_now(t_ns)
        target = self._clamp(target)
        speed, up, down = (max(number(index), 1) for index in (0x6081, 0x6083, 0x6084))
        self._profile_target = target
        self._start(t_ns, move(position, velocity, target, speed, up, down), self._arrived)

    def _arrived(self, t_ns: int) -> None:
        if self._waiting_target is not None:
            target, self._waiting_target = self._waiting_target, None
            self._plan(t_ns, target)

    def _start(self, t_ns: int, profile: Profile, then: Then | None) -> None:
        self._profile, self._profile_start_ns, self._then = profile, t_ns, then
        self._step(t_ns)

    def _end_profile(self) -> None:
        self._profile = self._then = self._waiting_target = None
        self.stopping = self.halted = False
        self._profile_target = self._demand

    def tick(self, t_ns: int) -> None:
        """The drive's own clock: the next piece of a profile."""
        self._next_tick_ns = t_ns + TICK_NS
        if self._profile:
            self._step(t_ns)

    def _step(self, t_ns: int) -> None:
        profile = self._profile
        assert profile is not None
        if t_ns >= self._profile_start_ns + profile.end_s * 1e9:
            self._demand, _ = profile.at(profile.end_s)
            self._follow_demand(t_ns, 0)
            self._profile, then, self._then = None, self._then, None
            if then:
                then(t_ns)
            return
        self._demand, _ = profile.at((self._next_tick_ns - self._profile_start_ns) * 1e-9)
        self._follow_demand(t_ns, self._next_tick_ns - t_ns)

    def _follow_demand(self, t_ns: int, over_ns: int) -> None:
        forward = 0.0 if self.mode == CYCLIC_TORQUE else self._torque_offset.read() * self._Nm
        self._axis.follow(t_ns, (self._demand - self.offset) / self.counts_per_rad, over_ns, forward)

    def _demand_now(self, t_ns: int) -> tuple[float, float]:
        """Position and velocity demand of a profile, counts and counts/s; without one, at rest."""
        if self._profile:
            return self._profile.at((t_ns - self._profile_start_ns) * 1e-9)
        return self.demand_counts(t_ns), 0.0

    # -- what others ask

    def counts(self, angle_rad: float) -> float:
        """An axis angle in counts, not rounded."""
        return angle_rad * self.counts_per_rad + self.offset

    def demand_counts(self, t_ns: int) -> float:
        """The position demand."""
        return self.counts(self._axis.demand_rad(t_ns))

    def following_error(self, t_ns: int, position_rad: float) -> float:
        """Counts from a position to the position demand; 0 while nothing follows it."""
        if not self.energised or (self.mode == CYCLIC_TORQUE and self._profile is None):
            return 0.0
        scale, offset = self.counts_per_rad, self.offset
        return self._axis.demand_rad(t_ns) * scale + offset - (position_rad * scale + offset)

    @property
    def follows_position(self) -> bool:
        """Is there a position loop whose error means something."""
        return self.energised and (self.mode != CYCLIC_TORQUE or self._profile is not None)

    def status_bits(self, reading: Reading) -> int:
        """Bits 10 to 13 of the statusword."""
        mode = self.mode
        if mode == CYCLIC_POSITION:
            bits = _BIT_12 if self.energised and not self.stopping and not self.halted else 0
        elif mode == HOMING:
            bits = _TARGET_REACHED | {None: 0, True: _BIT_12, False: _BIT_13}[self._homed]
        elif mode == PROFILE_POSITION:
            bits = _BIT_12 if self._controlword & _NEW_SET_POINT or self._waiting_target is not None else 0
            if self.energised and self._profile is None and self._near(reading):
                bits |= _TARGET_REACHED
        else:
            bits = _BIT_12 if mode and self.energised and not self.stopping and not self.halted else 0
        if self.energised and (
            self._clamped
            or not self._threshold_negative < reading.torque_Nm * self._config.sign < self._threshold_positive
        ):
            bits |= _LIMIT_ACTIVE
        return bits

    def _near(self, reading: Reading) -> bool:
        window = self._dictionary.number(0x6067)
        return abs(self._profile_target - self.counts(reading.position_rad)) <= window

    # -- written objects

    def _fresh(self, t_ns: int) -> None:
        self._set_point_new = True

    def _limits_written(self, t_ns: int) -> None:
        self._limits_new = True

    def _period_written(self, t_ns: int) -> None:
        value, index = self._dictionary.number(0x60C2, 1), self._dictionary.number(0x60C2, 2)
        self._period_ns = max(value, 1) * 10 ** (9 + index)

    def _mode_written(self, t_ns: int) -> None:
        mode = self._dictionary.number(0x6060)
        if mode != self.mode:
            self._homed = None
            if self.energised and self.mode == CYCLIC_TORQUE:
                here = self._axis.demand_rad(t_ns)
                self._axis.follow(t_ns, here, 0, 0.0)
                self._demand = self.counts(here)
            self.mode = mode
            self._dictionary.set(0x6061, 0, mode)
            if not self.stopping:
                self._end_profile()
            self._set_point_new = self._clamped = False

    def _apply_limits(self, t_ns: int) -> None:
        self._limits_new = False
        caps = (self._max_torque.value, self._positive.value, self._negative.value)
        if caps == self._caps:
            return  # the cap comes with every set-point and rarely changes
        self._caps = caps
        config = self._config
        most = min(self._max_torque.read() * config.rated_torque_Nm / 1000.0, config.peak_torque_Nm)
        positive = min(most, self._positive.read() * config.rated_torque_Nm / 1000.0)
        negative = min(most, self._negative.read() * config.rated_torque_Nm / 1000.0)
        # The current control stops a little short of the limit and its reading is noisy.
        least = 0.005 * config.rated_torque_Nm
        self._threshold_positive = positive - max(0.02 * positive, least)
        self._threshold_negative = max(0.02 * negative, least) - negative
        if config.sign > 0:
            self._axis.limit(t_ns, negative, positive)
        else:
            self._axis.limit(t_ns, positive, negative)

    def _clamp(self, target: float) -> float:
        low, high = self._low.value, self._high.value
        clamped = low if target < low else target
        clamped = high if clamped > high else clamped
        self._clamped = clamped != target
        return clamped
