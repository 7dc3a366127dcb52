"""A wire made up by hand, for the observer: two axes, 250 cycles a second, and one violation at a time."""

from __future__ import annotations

from legtest.campaign.observer import AxisPlan, Observer, WirePlan
from legtest.canbus.frame import Frame

MS = 1_000_000
P = 4 * MS
COUNT = 1e-4  # rad
AXES = tuple(
    AxisPlan(name, node, COUNT, 0.006, 18.0, 2.7, 3.0, 0.5, -1.0, 1.0, -1.1, 1.1, 2.8)
    for name, node in (("hip", 1), ("knee", 2))
)
PLAN = WirePlan(
    AXES, ((1.0, 0.0), (0.0, 1.0)), P, 100 * MS, 1_000_000, 300.0, 0.4, 0.2, (18.0, 60.0), (-20.0, 90.0),
    power_W=50.0, temperature_rate_K_s=3.0,
)  # fmt: skip


class Wire:
    """Plays cycles of a good host and good drives into an observer; tests change what they want to be wrong.

    status, position: what each drive answers. words: False = the host says nothing more. cap: in per mille.
    """

    def __init__(self, permits: bool = True) -> None:
        self.observer = Observer(PLAN, permits="told")
        self.t = 0
        self.status = [0x27, 0x27]
        self.position = [0.0, 0.0]
        self.torque = [0, 0]
        self.demand = [0.0, 0.0]
        self.cap = 1000
        self.set_points = True
        self.beats = True
        if permits:
            self.observer.permit(0, (0, 1), (18.0, 18.0), 10**12)
        self.host(0x201, b"\x0f\x00")
        self.host(0x202, b"\x0f\x00")
        self.stages(True)

    def host(self, can_id: int, data: bytes) -> None:
        self.observer.frame(Frame(self.t, can_id, data), True)

    def drive(self, can_id: int, data: bytes, flags: int = 0) -> None:
        self.observer.frame(Frame(self.t, can_id, data, flags), False)

    def stages(self, *on: bool) -> None:
        for axis, each in enumerate(on * 2 if len(on) == 1 else on):
            self.observer.truth(self.t, axis, self.position[axis], 0.0, 0x27 if each else 0x40)

    def cycle(self, count: int = 1) -> None:
        """SYNC, answers, set-points, heartbeat."""
        for _ in range(count):
            self.host(0x080, b"")
            start = self.t
            for axis, each in enumerate(AXES):
                self.t = start + (axis + 1) * 100_000
                counts = round(self.position[axis] / COUNT)
                # An encoder that is alive does not answer the same twice.
                payload = self.status[axis].to_bytes(2, "little") + (counts + self.t // P % 2).to_bytes(
                    4, "little", signed=True
                )
                self.drive(0x180 + each.node, payload + self.torque[axis].to_bytes(2, "little", signed=True))
            self.t = start + 2_500_000
            for axis, each in enumerate(AXES):
                counts = round(self.demand[axis] / COUNT)
                data = counts.to_bytes(4, "little", signed=True) + bytes(2) + self.cap.to_bytes(2, "little")
                if self.set_points:
                    self.host(0x300 + each.node, data)
            if self.beats:
                self.t += 100_000
                self.host(0x77F, b"\x05")
            self.t = start + P

    def stop(self, word: int) -> None:
        """The host says it to both axes."""
        self.t += 200_000
        for each in AXES:
            self.host(0x200 + each.node, bytes((word, 0)))
        self.set_points = False

    def end(self) -> list[str]:
        self.observer.end(self.t)
        return self.observer.broken


def broken_with(lines: list[str], invariant: str) -> bool:
    return any(f" {invariant} " in line for line in lines)
