"""The line protocol of ASCII serial CAN adapters ("slcan"), seen from the adapter.

The subset that the Linux kernel's driver and python-can's serial-line interface speak: S/s bit rate, O open, L open
listen-only, C close, t/T/r/R frames, V and N queries, F status, Z0 no time stamps. A line ends with CR; the answer
is CR for done and BEL for refused.
"""

from __future__ import annotations

from collections.abc import Callable

from legtest.canbus.frame import EXTENDED, REMOTE, Frame

OK, REFUSED = b"\r", b"\a"
BIT_RATES = {
    b"0": 10_000,
    b"1": 20_000,
    b"2": 50_000,
    b"3": 100_000,
    b"4": 125_000,
    b"5": 250_000,
    b"6": 500_000,
    b"8": 1_000_000,  # S7 means 750 or 800 kbit/s, depending on who wrote the driver: not offered
}
_LONGEST_LINE = 32
_HEX = b"0123456789ABCDEFabcdef"
_CLOSED, _OPEN, _LISTENING = "closed", "open", "listening"


class AdapterLine:
    """One adapter's side of the line: bytes of the host in, answers out, frames handed to `send`.

    The channel opens only at the bit rate of the bus, as a wrong rate brings nothing through on a real one.
    """

    def __init__(self, bit_rate: int, send: Callable[[Frame], None]) -> None:
        self._bus_rate, self._send = bit_rate, send
        self._rate = bit_rate
        self._state = _CLOSED
        self._line = bytearray()
        self._overlong = False
        self.next_number = b""  # answered instead of the serial number, once

    @property
    def is_open(self) -> bool:
        """Does the host want to hear the bus."""
        return self._state != _CLOSED

    def feed(self, data: bytes) -> bytes:
        """Take bytes from the host, in pieces of any size; the answers, in order."""
        answers = bytearray()
        for byte in data:
            if byte != 0x0D:
                self._overlong |= len(self._line) >= _LONGEST_LINE
                if not self._overlong:
                    self._line.append(byte)
                continue
            answers += REFUSED if self._overlong else self._answer(bytes(self._line))
            self._line.clear()
            self._overlong = False
        return bytes(answers)

    def _answer(self, line: bytes) -> bytes:
        command, rest = line[:1], line[1:]
        match command:
            case b"":
                return OK
            case b"S" if rest in BIT_RATES and not self.is_open:
                self._rate = BIT_RATES[rest]
                return OK
            case b"s" if rest and not rest.strip(_HEX) and not self.is_open:
                self._rate = self._bus_rate  # register values of some controller: taken to be right
                return OK
            case b"O" | b"L" if not rest and self._rate == self._bus_rate:
                self._state = _OPEN if command == b"O" else _LISTENING
                return OK
            case b"C" if not rest:
                self._state = _CLOSED
                return OK
            case b"V" if not rest:
                return b"V0100\r"
            case b"N" if not rest:
                number, self.next_number = self.next_number or b"SIM1", b""
                return b"N" + number + b"\r"
            case b"F" if not rest and self.is_open:
                return b"F00\r"
            case b"Z" if rest == b"0":
                return OK
            case b"t" | b"T" | b"r" | b"R" if self._state == _OPEN:
                frame = parse_frame(line)
                if frame is not None:
                    self._send(frame)
                    return b"z\r" if command in (b"t", b"r") else b"Z\r"
        return REFUSED


def parse_frame(line: bytes) -> Frame | None:
    """The frame of a t, T, r or R line without its CR; None where the line is not exactly one."""
    extended, remote = line[:1] in b"TR", line[:1] in b"rR"
    digits = 8 if extended else 3
    head, length, body = line[1 : 1 + digits], line[1 + digits : 2 + digits], line[2 + digits :]
    if len(head) != digits or not length.isdigit() or (head + body).strip(_HEX):
        return None
    can_id, size = int(head, 16), int(length)
    if size > 8 or can_id > (0x1FFFFFFF if extended else 0x7FF) or len(body) != (0 if remote else 2 * size):
        return None
    # A remote frame's data only carry its length.
    data = bytes(size) if remote else bytes.fromhex(body.decode("ascii"))
    return Frame(0, can_id, data, (EXTENDED if extended else 0) | (REMOTE if remote else 0))


def frame_line(frame: Frame) -> bytes:
    """The line that brings a received frame to the host."""
    remote = bool(frame.flags & REMOTE)
    if frame.flags & EXTENDED:
        head = f"{'R' if remote else 'T'}{frame.can_id:08X}"
    else:
        head = f"{'r' if remote else 't'}{frame.can_id:03X}"
    return f"{head}{len(frame.data)}{'' if remote else frame.data.hex().upper()}\r".encode("ascii")
