"""What the wire log of a rehearsal says of a leg: read by CiA 402 and the log's own form, with no code of the host."""

from __future__ import annotations

import struct
from bisect import bisect_left, bisect_right
from pathlib import Path
from typing import NamedTuple

TRUTH_ID, CLOCK_ID = 0x1FFFFF00, 0x1FFFFFFF
HEARTBEAT = b"77F"  # node 127
STEP_NS = 1_000_000
QUICK_STOP_RAD_S2 = 300.0  # as the host writes it into object 0x6085


class Truth(NamedTuple):
    t_ns: int
    axis: int
    position_rad: float
    torque_Nm: float
    energised: bool


class Wire(NamedTuple):
    """truth: in order. epoch_ns: the monotonic clock at time zero. beats: when heartbeats of the host ended."""

    truth: tuple[Truth, ...]
    epoch_ns: int
    beats: tuple[int, ...]

    def at(self, monotonic_ns: int) -> int:
        return monotonic_ns - self.epoch_ns

    def between(self, first_ns: int, last_ns: int) -> tuple[Truth, ...]:
        """Samples of a stretch of time, both ends included."""
        low = bisect_left(self.truth, first_ns, key=lambda sample: sample.t_ns)
        return self.truth[low : bisect_right(self.truth, last_ns, key=lambda sample: sample.t_ns)]

    def speed(self, t_ns: int) -> float:
        """Fastest axis in the 5 ms before an instant, rad/s."""
        near = self.between(t_ns - 5 * STEP_NS, t_ns)
        fastest = 0.0
        for axis in {sample.axis for sample in near}:
            mine = [sample for sample in near if sample.axis == axis]
            if len(mine) > 1:
                moved = abs(mine[-1].position_rad - mine[0].position_rad)
                fastest = max(fastest, moved / (mine[-1].t_ns - mine[0].t_ns) * 1e9)
        return fastest

    def powered(self, t_ns: int) -> bool:
        """Was any stage energised at an instant."""
        return any(sample.energised for sample in self.between(t_ns - STEP_NS, t_ns))

    def last_power_ns(self, since_ns: int, until_ns: int) -> int:
        """The end of the last millisecond in which any stage was energised or any axis had torque; since_ns if none."""
        live = [s.t_ns for s in self.between(since_ns, until_ns) if s.energised or s.torque_Nm]
        return live[-1] + STEP_NS if live else since_ns


def read(path: Path) -> Wire:
    truth, beats, epoch = [], [], 0
    for line in path.read_bytes().split(b"\n")[:-1]:
        stamp, _, body, direction = line.split(b" ")
        seconds, fraction = stamp[1:-1].split(b".")
        t_ns = int(seconds) * 1_000_000_000 + int(fraction)
        number, _, data = body.partition(b"#")
        if len(number) == 8:
            can_id, payload = int(number, 16), bytes.fromhex(data.decode())
            if can_id == CLOCK_ID:
                (epoch,) = struct.unpack("<q", payload)
            elif 0 <= can_id - TRUTH_ID < 32:
                position, torque, status = struct.unpack("<ihH", payload)
                # Operation enabled and quick stop active of CiA 402: the stages in which the motor has current.
                on = status & 0x6F == 0x27 or status & 0x6F == 0x07
                truth.append(Truth(t_ns, can_id - TRUTH_ID, position * 1e-6, torque / 100, on))
        elif direction == b"T" and number == HEARTBEAT:
            beats.append(t_ns)
    return Wire(tuple(truth), epoch, tuple(beats))
