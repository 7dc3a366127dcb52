"""Frames as lines of the can-utils log text, with nine decimals of seconds and the direction at the end.

    (12.004000250) can0 182#3704A1F0FFFF1200 R

Frame number n of a log is its line n + 1. Standard identifiers have three hexadecimal digits, extended ones
eight; `#R4` is a remote frame that asks for four bytes (kept here as four zero bytes), `##1` a CAN FD frame with
bit-rate switch, an identifier with bit 29 set an error frame (`CAN_ERR_FLAG` of linux/can.h). ` T` = sent by us.
"""

from __future__ import annotations

import re

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.errors import RecordError

_ERROR_FLAG = 0x20000000
_LONG = EXTENDED | ERROR
_SPECIAL = FD | BRS | REMOTE | _LONG
_BILLION = 1_000_000_000
_MIDDLES: dict[int, str] = {}  # at most one entry for each of the 2048 standard identifiers


def line(frame: Frame) -> bytes:
    """One log line, newline included."""
    t_ns, can_id, data, flags = frame
    if flags & _SPECIAL:
        return _special(frame)
    stamp = str(t_ns) if t_ns >= _BILLION else f"{t_ns:010d}"
    middle = _MIDDLES.get(can_id) or _MIDDLES.setdefault(can_id, f") can0 {can_id:03X}#")
    # Slicing digits and keeping the identifier's text halves the time; this runs for every frame on the bus.
    return f"({stamp[:-9]}.{stamp[-9:]}{middle}{data.hex().upper()} {'T' if flags & SENT else 'R'}\n".encode()


def _special(frame: Frame) -> bytes:
    t_ns, can_id, data, flags = frame
    tail = "T" if flags & SENT else "R"
    identifier = f"{_ERROR_FLAG | can_id:08X}" if flags & ERROR else f"{can_id:0{8 if flags & EXTENDED else 3}X}"
    if flags & REMOTE:
        body = f"R{len(data)}"
    elif flags & FD:
        body = f"#{1 if flags & BRS else 0}{data.hex().upper()}"
    else:
        body = data.hex().upper()
    return f"({t_ns // _BILLION}.{t_ns % _BILLION:09d}) can0 {identifier}#{body} {tail}\n".encode()


_LINE = re.compile(
    rb"\((\d{1,10})\.(\d{1,9})\) \S{1,32} ([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
    rb"(?:R(\d?)|(#[01])?((?:[0-9A-Fa-f]{2}){0,64}))(?: ([RT]))?\r?\n?"
)


def parse(text: bytes) -> Frame:
    """The frame of one log line; the inverse of `line`, and reads what other writers of this format leave.

    Raises RecordError for anything that is not a frame: wrong form, an identifier or a length that CAN does not
    have.
    """
    match = _LINE.fullmatch(text)
    if match is None:
        raise RecordError(f"not a frame of a can-utils log: {text[:80]!r}")
    seconds, fraction, identifier, asked, fd, data, direction = match.groups()
    t_ns = int(seconds) * _BILLION + int(fraction.ljust(9, b"0"))
    can_id = int(identifier, 16)
    flags = SENT if direction == b"T" else 0
    if len(identifier) == 8:
        flags |= ERROR if can_id & _ERROR_FLAG else EXTENDED
        can_id &= ~_ERROR_FLAG
    if asked is not None:
        return _checked(Frame(t_ns, can_id, bytes(int(asked or b"0")), flags | REMOTE), text)
    if fd is not None:
        flags |= FD | (BRS if fd == b"#1" else 0)
    return _checked(Frame(t_ns, can_id, bytes.fromhex(data.decode()), flags), text)


def _checked(frame: Frame, text: bytes) -> Frame:
    limit = 0x1FFFFFFF if frame.flags & _LONG else 0x7FF
    if frame.can_id > limit or len(frame.data) > (64 if frame.flags & FD else 8):
        raise RecordError(f"no frame that CAN can carry: {text[:80]!r}")
    return frame
