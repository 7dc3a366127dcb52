"""Errors of a simulated drive: emergency frames, error register, history and the error code (CiA 301, CiA 402)."""

from __future__ import annotations

from collections.abc import Callable

from legtest.simulation.dictionary import Dictionary, one_of
from legtest.simulation.objects import HISTORY_LENGTH

# Error codes of CiA 301 and CiA 402 (IEC 61800-7-201).
HEARTBEAT_LOST = 0x8130
PDO_TOO_SHORT = 0x8210
PDO_TOO_LONG = 0x8220
RPDO_TIME_OUT = 0x8250
OVER_VOLTAGE = 0x3210
UNDER_VOLTAGE = 0x3220
OVER_TEMPERATURE = 0x4310
FOLLOWING_ERROR = 0x8611

_GENERIC, _VOLTAGE, _TEMPERATURE, _COMMUNICATION, _PROFILE = 1, 4, 8, 16, 32


def register_bits(code: int) -> int:
    """The bits of the error register 0x1001 for an error code."""
    group = code >> 12
    if group == 3:
        return _GENERIC | _VOLTAGE
    if group == 4:
        return _GENERIC | _TEMPERATURE
    if code >> 8 in (0x81, 0x82):
        return _GENERIC | _COMMUNICATION
    return _GENERIC | _PROFILE


class Emergency:
    """Reports errors and keeps the objects 0x1001, 0x1003 and 0x603F.

    send: takes the 8 bytes of an emergency frame.
    """

    def __init__(self, dictionary: Dictionary, send: Callable[[bytes], None]) -> None:
        self._dictionary, self._send = dictionary, send
        history = dictionary[0x1003, 0]
        history.check, history.written = one_of(0), lambda t_ns: self._clear_history()

    def report(self, code: int) -> None:
        """A new error."""
        dictionary = self._dictionary
        register = dictionary.number(0x1001) | register_bits(code)
        dictionary.set(0x1001, 0, register)
        dictionary.set(0x603F, 0, code)
        for n in range(HISTORY_LENGTH, 1, -1):
            dictionary.set(0x1003, n, dictionary.number(0x1003, n - 1))
        dictionary.set(0x1003, 1, code)
        dictionary.set(0x1003, 0, min(dictionary.number(0x1003) + 1, HISTORY_LENGTH))
        self._send(code.to_bytes(2, "little") + bytes((register,)) + bytes(5))

    def clear(self) -> None:
        """All errors are gone: emergency 0x0000 "error reset", if there was one. The history stays."""
        if self._dictionary.number(0x1001):
            self._dictionary.set(0x1001, 0, 0)
            self._dictionary.set(0x603F, 0, 0)
            self._send(bytes(8))

    def _clear_history(self) -> None:
        for n in range(1, HISTORY_LENGTH + 1):
            self._dictionary.set(0x1003, n, 0)
