"""A small SDO client (CiA 301): expedited and segmented, written as generators of frames.

A generator yields the request to send and is given the answer's eight bytes; it returns the result. The loop's
side must be standard library only, and whoever drives the generator decides how time passes.
"""

from __future__ import annotations

from collections.abc import Generator

from legtest.canbus.frame import Frame
from legtest.errors import DriveError, SdoAbort

ABORT_TEXT = {
    0x05030000: "toggle bit not alternated",
    0x05040000: "timed out",
    0x05040001: "command specifier not valid",
    0x06010000: "access not supported",
    0x06010001: "write only object",
    0x06010002: "read only object",
    0x06020000: "object does not exist",
    0x06040041: "object cannot be mapped",
    0x06040042: "mapping exceeds PDO length",
    0x06070010: "data type or length does not match",
    0x06070012: "data too long",
    0x06070013: "data too short",
    0x06090011: "sub-index does not exist",
    0x06090030: "value out of range",
    0x06090031: "value too high",
    0x06090032: "value too low",
    0x08000000: "general error",
    0x08000020: "data cannot be stored",
    0x08000021: "local control prevents this",
    0x08000022: "present device state prevents this",
}
LONGEST_ANSWER = 4096  # bytes; identity and names are far shorter, an endless answer is a fault

Exchange = Generator[Frame, bytes, bytes]


def request_id(node: int) -> int:
    """Identifier of the client's frames (CiA 301 default SDO)."""
    return 0x600 + node


def answer_id(node: int) -> int:
    """Identifier of the server's frames."""
    return 0x580 + node


def _request(node: int, command: int, index: int, sub: int, data: bytes = b"") -> Frame:
    head = bytes((command, index & 0xFF, index >> 8, sub))
    return Frame(0, request_id(node), (head + data).ljust(8, b"\0"))


def _checked(answer: bytes, node: int, index: int, sub: int) -> bytes:
    if len(answer) != 8:
        raise DriveError(f"node {node} answered an object access with {len(answer)} bytes, not 8")
    if answer[0] == 0x80:
        code = int.from_bytes(answer[4:8], "little")
        raise SdoAbort(node, index, sub, code, ABORT_TEXT.get(code, "unknown reason"))
    return answer


def _same_object(answer: bytes, node: int, index: int, sub: int) -> None:
    if answer[1:4] != bytes((index & 0xFF, index >> 8, sub)):
        raise DriveError(f"node {node} answered for another object than 0x{index:04X}:{sub:02X}")


def belated(request: bytes, answer: bytes) -> bool:
    """Whether an answer is about another object than this request asks for: it was given up before it came."""
    initiates = request[0] & 0xE0 in (0x20, 0x40)
    return initiates and len(answer) == 8 and answer[1:4] != request[1:4]


def read(node: int, index: int, sub: int) -> Exchange:
    """Upload one object; the result is its bytes, little endian. Raises SdoAbort, DriveError."""
    answer = _checked((yield _request(node, 0x40, index, sub)), node, index, sub)
    _same_object(answer, node, index, sub)
    command = answer[0]
    if command & 0xE0 != 0x40:
        raise DriveError(f"node {node} answered a read with command 0x{command:02X}")
    if command & 0x02:
        return answer[4 : 8 - ((command >> 2) & 3) if command & 0x01 else 8]
    data = b""
    toggle = 0
    while True:
        answer = _checked((yield Frame(0, request_id(node), bytes((0x60 | toggle,)).ljust(8, b"\0"))), node, index, sub)
        if answer[0] & 0xE0 or answer[0] & 0x10 != toggle:
            raise DriveError(f"node {node} lost the order of a segmented answer for 0x{index:04X}:{sub:02X}")
        segment = answer[1 : 8 - ((answer[0] >> 1) & 7)]
        data += segment
        if len(data) > LONGEST_ANSWER or not (segment or answer[0] & 1):
            raise DriveError(f"node {node} does not end its answer for 0x{index:04X}:{sub:02X}")
        if answer[0] & 1:
            return data
        toggle ^= 0x10


def write(node: int, index: int, sub: int, data: bytes) -> Exchange:
    """Download one object of one to four bytes (expedited). Raises SdoAbort, DriveError, ValueError."""
    if not 1 <= len(data) <= 4:
        raise ValueError(f"expedited transfer carries 1..4 bytes, not {len(data)}")
    command = 0x23 | (4 - len(data)) << 2
    answer = _checked((yield _request(node, command, index, sub, data)), node, index, sub)
    _same_object(answer, node, index, sub)
    if answer[0] != 0x60:
        raise DriveError(f"node {node} answered a write with command 0x{answer[0]:02X}")
    return b""
