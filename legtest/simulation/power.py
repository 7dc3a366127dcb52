"""The power side of a simulated drive: carries out the CiA 402 state machine on the motion it governs."""

from __future__ import annotations

import math
from collections.abc import Callable

from legtest.simulation.axis import Reading
from legtest.simulation.dictionary import Dictionary
from legtest.simulation.emergency import FOLLOWING_ERROR, Emergency
from legtest.simulation.motion import Motion
from legtest.simulation.state import ENERGISED, FAULT_RESET, TRANSITIONS, Command, State, command_of

_SLOW_DOWN, _QUICK = 0x6084, 0x6085
_STAY = 5  # from this quick stop option code on the drive stays in quick stop active


class Power:
    """State machine of one drive.

    read: the drive's sensors at an instant. hardware: 0, or the error code of what forbids power in a reading.
    changed: called with the instant after each change of state.
    """

    def __init__(
        self,
        dictionary: Dictionary,
        motion: Motion,
        emergency: Emergency,
        read: Callable[[int], Reading],
        hardware: Callable[[Reading], int],
        changed: Callable[[int], None],
    ) -> None:
        self._dictionary, self._motion, self._emergency = dictionary, motion, emergency
        self._read, self._hardware, self._changed = read, hardware, changed
        self.state = State.SWITCH_ON_DISABLED  # transitions 0 and 1 happen by themselves at power-up
        self.energised = False  # is the power stage on
        self._last_word = 0
        dictionary[0x6040, 0].written = self._controlword_written

    @property
    def faulty(self) -> bool:
        """Is a fault pending."""
        return self.state in (State.FAULT, State.FAULT_REACTION_ACTIVE)

    def reset(self, t_ns: int) -> None:
        """Power off at once; as after power-up."""
        self._off(t_ns, State.SWITCH_ON_DISABLED)
        self._last_word = 0

    def fault(self, t_ns: int, code: int, at_once: bool = False) -> None:
        """Transition 13: report, then the fault reaction 0x605E. at_once: braking is not possible."""
        if self.faulty:
            return
        if code != self._dictionary.number(0x603F):  # else reported already, as a lost connection is
            self._emergency.report(code)
        option = self._dictionary.number(0x605E)
        if self.state not in ENERGISED or at_once or option == 0:
            self._off(t_ns, State.FAULT)
            return
        self._enter(t_ns, State.FAULT_REACTION_ACTIVE)
        rate = self._rate({1: _SLOW_DOWN, 2: _QUICK}.get(option))
        reading = self._read(t_ns)
        self._motion.ramp(t_ns, reading, rate, lambda t: self._off(t, State.FAULT), code == FOLLOWING_ERROR)

    def connection_lost(self, t_ns: int, code: int) -> None:
        """The reaction 0x6007 to a lost connection while the power is on; the loss itself is reported elsewhere."""
        if self.state not in (State.SWITCHED_ON, State.OPERATION_ENABLED, State.QUICK_STOP_ACTIVE):
            return
        option = self._dictionary.number(0x6007)
        if option == 1:
            self.fault(t_ns, code)
        elif option == 2:
            self._obey(t_ns, Command.DISABLE_VOLTAGE)
        elif option == 3:
            self._obey(t_ns, Command.QUICK_STOP)

    def _controlword_written(self, t_ns: int) -> None:
        word = self._dictionary.number(0x6040)
        rising, self._last_word = word & ~self._last_word, word
        if rising & FAULT_RESET:
            self._fault_reset(t_ns)
            return
        command = command_of(word)
        if command:
            self._obey(t_ns, command)
        if self.state is State.OPERATION_ENABLED:
            self._motion.controlword(t_ns, word)

    def _fault_reset(self, t_ns: int) -> None:
        """Transition 15, unless the cause is still there; without a fault only the error register is cleared."""
        if self.state is State.FAULT and self._hardware(self._read(t_ns)):
            return
        if self.state is not State.FAULT_REACTION_ACTIVE:
            self._emergency.clear()
        if self.state is State.FAULT:
            self._enter(t_ns, State.SWITCH_ON_DISABLED)

    def _obey(self, t_ns: int, command: Command) -> None:
        state = self.state
        if state is State.OPERATION_ENABLED and command is Command.ENABLE_OPERATION and self._motion.stopping:
            if not self._motion.halted:
                self._motion.resume(t_ns)  # a shutdown or disable ramp is called off
            return
        after = TRANSITIONS.get((state, command))
        if after is None:
            return
        if state is State.OPERATION_ENABLED:
            self._leave_operation(t_ns, command, after)
        elif state is State.QUICK_STOP_ACTIVE and command is Command.ENABLE_OPERATION:
            if self._dictionary.number(0x605A) >= _STAY:
                self._motion.resume(t_ns)
                self._enter(t_ns, after)
        elif after is State.OPERATION_ENABLED:
            self._enable(t_ns)
        elif state is State.QUICK_STOP_ACTIVE:
            self._off(t_ns, after)
        else:
            self._enter(t_ns, after)
            if after is State.SWITCHED_ON and command is Command.ENABLE_OPERATION:
                self._enable(t_ns)

    def _enable(self, t_ns: int) -> None:
        code = self._hardware(self._read(t_ns))
        if code:
            self.fault(t_ns, code)
            return
        self._enter(t_ns, State.OPERATION_ENABLED)
        self._motion.switch_on(t_ns, self._read(t_ns))

    def _leave_operation(self, t_ns: int, command: Command, after: State) -> None:
        number = self._dictionary.number
        if command is Command.DISABLE_VOLTAGE:
            self._off(t_ns, after)
        elif command is Command.QUICK_STOP:
            self._quick_stop(t_ns, number(0x605A))
        elif number(0x605B if command is Command.SHUTDOWN else 0x605C) == 0:
            self._off(t_ns, after)
        elif not self._motion.stopping or self._motion.halted:
            self._motion.ramp(t_ns, self._read(t_ns), self._rate(_SLOW_DOWN), lambda t: self._off(t, after))

    def _quick_stop(self, t_ns: int, option: int) -> None:
        if option == 0:
            self._off(t_ns, State.SWITCH_ON_DISABLED)
            return
        self._enter(t_ns, State.QUICK_STOP_ACTIVE)
        rate = self._rate({1: _SLOW_DOWN, 2: _QUICK, 5: _SLOW_DOWN, 6: _QUICK}.get(option))
        then = (lambda t: self._off(t, State.SWITCH_ON_DISABLED)) if option < _STAY else None
        self._motion.ramp(t_ns, self._read(t_ns), rate, then)

    def _rate(self, index: int | None) -> float:
        """Deceleration in counts/s^2; without an object to say it, the demand stops at once."""
        return float(self._dictionary.number(index)) if index else math.inf

    def _off(self, t_ns: int, state: State) -> None:
        if self._motion.energised:
            self._motion.switch_off(t_ns)
        self._enter(t_ns, state)

    def _enter(self, t_ns: int, state: State) -> None:
        if state is not self.state:
            self.state = state
            self.energised = state in ENERGISED
            self._changed(t_ns)
