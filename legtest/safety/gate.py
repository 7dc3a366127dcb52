"""The egress gate: what may leave for the bus. Everything not listed is denied.

It reads meaning, not origin: whoever asks, a frame that energises or moves needs a grant in force.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import ObjectWrite, Point, Reaction, WireMap, setpoint_decoder
from legtest.safety.permit import Grant
from legtest.safety.sdo import request_id
from legtest.safety.setup import HOST_NODE, Setup

HEARTBEAT = Frame(0, 0x700 + HOST_NODE, b"\x05")
_READS = (0x40, 0x60, 0x70, 0x80)  # SDO commands of the client that change nothing: upload, its segments, abort


class _SetPoint(NamedTuple):
    axis: int
    decode: Callable[[bytes], Point]
    length: int


def payload(write: ObjectWrite) -> bytes:
    """The bytes of an object write, little endian."""
    return (write.value & ((1 << 8 * write.size) - 1)).to_bytes(write.size, "little")


class Gate:
    """Answers for every frame why it may not leave; an empty answer lets it pass."""

    def __init__(self, setup: Setup) -> None:
        # No heartbeat: it leaves with a cycle that was completed, and at nobody's wish.
        self._always = {(setup.sync_id, b""), (0x000, b"\x02\x00")}
        self._powered_only: dict[tuple[int, bytes], int] = {}
        self._setpoints: dict[int, _SetPoint] = {}
        self._writes: set[tuple[int, int, int, bytes]] = set()
        self._settings: dict[tuple[int, int, int], str] = {}
        self._home: dict[int, tuple[int, int]] = {}
        self._start = {(0x000, bytes((0x01, axis.node))) for axis in setup.axes}
        self._ask = {(0x000, bytes((0x80, axis.node))) for axis in setup.axes}
        for index, axis in enumerate(setup.axes):
            self._learn_frames(index, axis)
            watch = [write for write in (setup.arm[index], setup.disarm[index]) if write is not None]
            writes = (*setup.objects[index], *watch)
            self._settings |= {(request_id(axis.node), w.entry, w.sub): w.what for w in setup.objects[index]}
            if axis.home is not None:
                writes += (*axis.home.before, *axis.home.after)
                self._home[request_id(axis.node)] = (axis.home.position_index, axis.home.position_size)
            self._writes |= {(request_id(axis.node), w.entry, w.sub, payload(w)) for w in writes}
        self._requests = {request_id(axis.node) for axis in setup.axes}

    def _learn_frames(self, index: int, axis: WireMap) -> None:
        for reaction in Reaction:
            self._always |= {(frame.can_id, frame.data) for frame in axis.stop[reaction]}
        frames = [enable.frame for enable in axis.enable] + list(axis.home.start if axis.home else ())
        self._powered_only |= {(frame.can_id, frame.data): index for frame in frames}
        length = (max(signal.start_bit + signal.bits for signal in axis.command) + 7) // 8
        self._setpoints[axis.command[0].can_id] = _SetPoint(index, setpoint_decoder(axis), length)

    def refusal(self, frame: Frame, grant: Grant | None, now_ns: int, powered: bool) -> str:
        """Why this frame may not leave now; "" = it may.

        grant: what is in force. powered: whether any axis is, or may be, energised.
        """
        _, can_id, data, flags = frame
        if flags:
            return "only plain classical data frames leave this host"
        point = self._setpoints.get(can_id)
        if point is not None:
            return self._setpoint_refusal(point, data, grant, now_ns)
        key = (can_id, data)
        if key in self._always:
            return ""
        index = self._powered_only.get(key)
        if index is not None:
            if grant is None or now_ns >= grant.end_ns:
                return "no permit is in force, so nothing may be energised"
            return "" if index in grant.axes else f"the {grant.kind} permit does not cover this axis"
        if key in self._start:
            return "nodes are not started while the leg is powered" if powered else ""
        if key in self._ask:  # it takes nothing from a leg whose stop was given up, and lets its drives be asked
            return "nodes are not stopped while the leg is under control" if grant is not None else ""
        if frame.can_id in self._requests:
            return self._service_refusal(frame, powered)
        return "this frame is not known to be harmless"

    def energises(self, frame: Frame) -> bool:
        """Whether this frame brings a drive nearer to power."""
        return (frame.can_id, frame.data) in self._powered_only

    def setting(self, frame: Frame) -> str:
        """Which of the settings that the pre-check writes this frame writes; "" = none."""
        if frame.can_id not in self._requests or frame.data[:1] in (b"", *(bytes((c,)) for c in _READS)):
            return ""
        key = frame.can_id, int.from_bytes(frame.data[1:3], "little"), frame.data[3]
        return self._settings.get(key, "")

    def _setpoint_refusal(self, point: _SetPoint, data: bytes, grant: Grant | None, now_ns: int) -> str:
        if grant is None or now_ns >= grant.end_ns:
            return "no permit is in force, so no set-point leaves"
        if point.axis not in grant.axes:
            return f"the {grant.kind} permit does not cover this axis"
        if len(data) != point.length:
            return f"a set-point has {point.length} bytes, not {len(data)}"
        _, feed_forward, cap = point.decode(data)
        allowed = grant.torque_Nm[point.axis] + 1e-9
        if cap > allowed:
            return f"torque cap {cap:.3f} N*m is above the permitted {grant.torque_Nm[point.axis]:.3f} N*m"
        if abs(feed_forward) > allowed:
            return f"torque {feed_forward:.3f} N*m is above the permitted {grant.torque_Nm[point.axis]:.3f} N*m"
        return ""

    def _service_refusal(self, frame: Frame, powered: bool) -> str:
        if len(frame.data) != 8:
            return "an object access has eight bytes"
        if frame.data[0] in _READS:
            return ""
        if powered:
            return "objects are not written while the leg is powered"
        index, sub = int.from_bytes(frame.data[1:3], "little"), frame.data[3]
        size = 4 - ((frame.data[0] >> 2) & 3)
        if frame.data[0] & 0xF3 != 0x23:
            return "only expedited writes leave this host"
        if (frame.can_id, index, sub, frame.data[4 : 4 + size]) in self._writes:
            return ""
        if sub == 0 and self._home.get(frame.can_id) == (index, size):
            return ""
        return f"object 0x{index:04X}:{sub:02X} is not one that this leg's set-up writes"
