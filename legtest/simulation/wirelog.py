"""What really happened on a simulated bus: every frame, and what no host is told, for judging a run from outside.

can-utils text, one line for each frame in the order they ended; those of the adapter (the host's) are marked as sent.
Between them stands the truth, as frames that no station sent: extended identifier TRUTH_ID + number of the axis, eight
bytes: position of the actuator (int32, microradians), its torque (int16, 1/100 N*m), the drive's statusword (uint16),
little endian; one for each axis and millisecond while any stage is energised or has torque, and one when all are off.
CLOCK_ID with eight bytes (int64) says what the system's monotonic clock showed at time zero of the bus.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

from legtest.canbus.candump import line
from legtest.canbus.frame import EXTENDED, Frame
from legtest.errors import UsageError
from legtest.simulation.rig import Rig

TRUTH_ID = 0x1FFFFF00
CLOCK_ID = 0x1FFFFFFF
TRUTH = struct.Struct("<ihH")
STEP_NS = 1_000_000
_INT32, _INT16 = (1 << 31) - 1, (1 << 15) - 1


class WireLog:
    """Writes the bus of a rig to a new file. Raises UsageError where that cannot be made."""

    def __init__(self, rig: Rig, path: str | Path) -> None:
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise UsageError(f"{path}: the wire log cannot be made: {error.strerror}") from error
        self._rig, self._lines = rig, bytearray()
        self._epoch_ns: int | None = None
        self._was_on = True  # so that the log begins with the state of every axis
        self._look(rig.bus.now_ns)

    def frame(self, frame: Frame) -> None:
        """One frame that has ended."""
        self._lines += line(frame)

    def flush(self, epoch_ns: int | None = None) -> None:
        """Hand everything to the operating system. epoch_ns: the monotonic clock at time zero of the bus."""
        if epoch_ns is not None and epoch_ns != self._epoch_ns:
            self._epoch_ns = epoch_ns
            self._lines += line(Frame(self._rig.bus.now_ns, CLOCK_ID, struct.pack("<q", epoch_ns), EXTENDED))
        lines, self._lines = self._lines, bytearray()
        rest = memoryview(lines)
        while rest:
            rest = rest[os.write(self._fd, rest) :]

    def close(self) -> None:
        """Flush and let go; harmless when repeated."""
        if self._fd >= 0:
            self.flush()
            os.close(self._fd)
            self._fd = -1

    def _look(self, t_ns: int) -> None:
        self._rig.bus.at(t_ns + STEP_NS, self._look)
        on = any(axis.powered for axis in self._rig.axes)
        if on or self._was_on:
            on = self._truth(t_ns) or on
        self._was_on = on

    def _truth(self, t_ns: int) -> bool:
        """One line for each axis; whether any of them has torque."""
        physics = self._rig.physics
        physics.advance(t_ns)
        state = physics.state()
        for number, (axis, rotor, node) in enumerate(
            zip(self._rig.plant.axes, physics.rotor_index, self._rig.nodes, strict=True)
        ):
            micro = round(state.position[rotor] / axis.gear_scale * 1e6)
            hundredth = round(state.torque[number] * 100)
            data = TRUTH.pack(
                max(-_INT32, min(_INT32, micro)), max(-_INT16, min(_INT16, hundredth)), node.statusword() & 0xFFFF
            )
            self._lines += line(Frame(t_ns, TRUTH_ID + number, data, EXTENDED))
        return any(state.torque[number] for number in range(len(self._rig.nodes)))
