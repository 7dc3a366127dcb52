"""The simulated bench as a python-can interface: `can.Bus(interface="legtest", channel="LEG.yaml")`.

Real time only: the time of the bus follows the monotonic clock whenever somebody receives or sends. A test run
does not use this; its link has virtual time.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Any

import can

from legtest.canbus.frame import EXTENDED, REMOTE, Frame, frame
from legtest.errors import LegtestError
from legtest.simulation.bus import VirtualBus


class LegtestBus(can.BusABC):
    """One simulated bench on one python-can bus. Threads may send and receive at the same time.

    channel: a leg file. bench: a bench file, by default the packaged simulated bench. seed: of the simulated leg.
    Raises can.CanInitializationError where a file cannot be used.
    """

    def __init__(
        self,
        channel: str,
        can_filters: can.typechecking.CanFilters | None = None,
        *,
        bench: str | None = None,
        seed: int = 0,
        receive_own_messages: bool = False,
        **kwargs: Any,
    ) -> None:
        self._changed = threading.Condition()
        self._inbox: deque[Frame] = deque()
        try:
            self._bus = _simulated_bus(channel, bench, seed)
        except (LegtestError, OSError) as error:
            raise can.CanInitializationError(f"{channel}: {error}") from error
        self._port = self._bus.attach(self._inbox.append, echo=receive_own_messages)
        self._start_ns = time.monotonic_ns() - self._bus.now_ns
        self._epoch_s = time.time() - self._bus.now_ns * 1e-9
        self._can_protocol = can.CanProtocol.CAN_20
        self.channel_info = f"simulated leg {channel}"
        super().__init__(channel=channel, can_filters=can_filters, **kwargs)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Queue a classical frame; never blocks. Raises can.CanOperationError for any other frame."""
        flags = (EXTENDED if msg.is_extended_id else 0) | (REMOTE if msg.is_remote_frame else 0)
        if msg.is_fd or msg.is_error_frame:
            raise can.CanOperationError("the simulated bus carries classical CAN data and remote frames only")
        try:
            checked = frame(msg.arbitration_id, bytes(msg.dlc) if msg.is_remote_frame else bytes(msg.data), flags)
        except ValueError as error:
            raise can.CanOperationError(str(error)) from error
        with self._changed:
            self._advance()
            self._port.send(checked)
            self._changed.notify_all()

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        deadline_ns = None if timeout is None else time.monotonic_ns() + int(timeout * 1e9)
        with self._changed:
            while True:
                self._advance()
                if self._inbox:
                    return self._message(self._inbox.popleft()), False
                waits = []
                if deadline_ns is not None:
                    waits.append(deadline_ns - time.monotonic_ns())
                    if waits[0] <= 0:
                        return None, False
                if self._bus.next_event_ns is not None:
                    waits.append(self._bus.next_event_ns + self._start_ns - time.monotonic_ns())
                self._changed.wait(max(min(waits), 0) * 1e-9 if waits else None)

    def shutdown(self) -> None:
        """Leave the bus; harmless when repeated."""
        super().shutdown()
        with self._changed:
            self._port.detach()

    def _advance(self) -> None:
        self._bus.run(time.monotonic_ns() - self._start_ns)

    def _message(self, frame: Frame) -> can.Message:
        remote = bool(frame.flags & REMOTE)
        return can.Message(
            timestamp=self._epoch_s + frame.t_ns * 1e-9,
            arbitration_id=frame.can_id,
            is_extended_id=bool(frame.flags & EXTENDED),
            is_remote_frame=remote,
            dlc=len(frame.data),
            data=None if remote else frame.data,
            channel=self.channel_info,
        )


def _simulated_bus(channel: str, bench: str | None, seed: int) -> VirtualBus:
    from legtest.description import default_bench, read_bench, read_leg
    from legtest.simulation.rig import build_rig

    rig = build_rig(read_leg(channel), read_bench(bench) if bench else default_bench(), seed=seed)
    rig.link.close()  # this interface is the host; nobody would empty the link's list
    return rig.bus
