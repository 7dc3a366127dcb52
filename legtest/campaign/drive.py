"""The simulation's drive with what can go wrong inside one."""

from __future__ import annotations

from collections.abc import Iterable

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import ObjectWrite
from legtest.simulation.node import DriveNode
from legtest.simulation.pdo import ReceivePdo
from legtest.simulation.watch import Watch

QUICK_STOP, EVERYTHING = 0x02, 0x100


class Drive(DriveNode):
    """mute: nothing it sends reaches the wire. deaf_to: QUICK_STOP = that command is ignored; EVERYTHING = all are."""

    mute = False
    deaf_to = 0

    def configure(self, writes: Iterable[ObjectWrite], t_ns: int) -> None:
        """As if these had been written over the bus."""
        for write in writes:
            data = (write.value & ((1 << 8 * write.size) - 1)).to_bytes(write.size, "little")
            self._dictionary.write(write.entry, write.sub, data, t_ns)

    def reboot(self, t_ns: int) -> None:
        """Its logic restarts; everything it was told is lost."""
        self._power.reset(t_ns)
        self._reset(t_ns, 0x9FFF)

    def fault(self, t_ns: int, code: int) -> None:
        """A fault inside, with the reaction set up for it."""
        self._power.fault(t_ns, code)

    def drop_out(self, t_ns: int) -> None:
        """The stage goes off without a word."""
        self._power.reset(t_ns)

    def emergency(self, code: int) -> None:
        """A message and nothing else."""
        self._emergency.report(code)

    def _send(self, can_id: int, data: bytes) -> None:
        if not self.mute:
            super()._send(can_id, data)

    def _send_answer(self, t_ns: int) -> None:
        if self.mute:
            self._answers.popleft()
        else:
            super()._send_answer(t_ns)

    def _on_rpdo(self, rpdo: ReceivePdo, watch: Watch, frame: Frame) -> None:
        if frame.can_id == 0x200 + self.node_id and len(frame.data) == 2:
            word = frame.data[0]
            if self.deaf_to == EVERYTHING and self._power.energised:
                return
            if self.deaf_to == QUICK_STOP and word & 0x86 == 0x02:
                return
        super()._on_rpdo(rpdo, watch, frame)
