"""Object access of one loop: the SDO client's exchanges carried out on the bus, lost answers asked for again."""

from __future__ import annotations

from collections.abc import Callable

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import ObjectWrite
from legtest.errors import DriveError, SdoTimeout
from legtest.safety import sdo
from legtest.safety.gate import payload
from legtest.safety.setup import Setup

TIMEOUT_NS = 100_000_000
TRIES = 4
SLICE_NS = 250_000


class ObjectAccess:
    """Reads and writes objects of the drives of a set-up.

    send: takes a request; the gate stands behind it. listen: lets so many ns pass, and answers what was heard.
    """

    def __init__(
        self, setup: Setup, send: Callable[[Frame], None], listen: Callable[[int], list[Frame]], now: Callable[[], int]
    ) -> None:
        self._setup, self._send, self._listen, self._now = setup, send, listen, now

    def read(self, node: int, index: int, sub: int) -> bytes:
        """One object's bytes; a lost answer is asked for again (reading changes nothing).

        Raises SdoAbort, SdoTimeout, DriveError.
        """
        return self._again(lambda: self._carry_out(sdo.read(node, index, sub), node))

    def write(self, axis: int, write: ObjectWrite) -> None:
        """Write an object and read it back.

        Raises DriveError when the drive keeps another value, SdoAbort, SdoTimeout, NotPermitted.
        """
        wiremap, data = self._setup.axes[axis], payload(write)
        node = wiremap.node
        self._again(lambda: self._carry_out(sdo.write(node, write.entry, write.sub, data), node))
        kept = self.read(node, write.entry, write.sub)
        if kept != data:
            raise DriveError(
                f"{wiremap.axis}: object 0x{write.entry:04X}:{write.sub:02X} ({write.what}): "
                f"wrote {data.hex()}, read back {kept.hex()}"
            )

    def _again(self, access: Callable[[], bytes]) -> bytes:
        for _ in range(TRIES - 1):
            try:
                return access()
            except SdoTimeout:
                continue
        return access()

    def _carry_out(self, exchange: sdo.Exchange, node: int) -> bytes:
        try:
            request = next(exchange)
            while True:
                request = exchange.send(self._answer(request, node))
        except StopIteration as end:
            return bytes(end.value)

    def _answer(self, request: Frame, node: int) -> bytes:
        self._send(request)
        end = self._now() + TIMEOUT_NS
        wanted = sdo.answer_id(node)
        while self._now() < end:
            for frame in self._listen(SLICE_NS):
                if frame.can_id == wanted and not sdo.belated(request.data, frame.data):
                    return frame.data
        raise SdoTimeout(f"node {node} did not answer within {TIMEOUT_NS / 1e6:g} ms")
