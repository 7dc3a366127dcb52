"""The virtual bus as a serial CAN adapter on a pseudo-terminal, in real time: a rehearsal of a live run."""

from __future__ import annotations

import fcntl
import os
import select
import termios
import tty
from collections.abc import Callable, Mapping

from legtest.canbus.frame import SENT, Frame
from legtest.simulation.bus import VirtualBus
from legtest.simulation.serial_line import AdapterLine, frame_line

_LONGEST_WAIT_NS = 20_000_000  # so that `stop` is asked often enough
_BACKLOG = 65_536  # bytes kept for a host that does not read; more is lost, as in an adapter


class SerialAdapter:
    """An adapter at `path`, to be opened like a serial port by any program that speaks to ASCII CAN adapters.

    clock: monotonic nanoseconds; the time of the bus follows it while `serve` runs. watch: told every frame that ends,
    the host's marked as sent. Linux and other systems with pseudo-terminals only; raises OSError where none is to be
    had.
    """

    def __init__(
        self, bus: VirtualBus, clock: Callable[[], int], watch: Callable[[Frame], None] | None = None
    ) -> None:
        self._bus, self._clock, self._watch = bus, clock, watch
        self._port = bus.attach(self._receive, echo=watch is not None)
        self._line = AdapterLine(bus.bit_rate, self._port.send)
        self._out = bytearray()
        self.lost_frames = 0
        self.epoch_ns = clock()  # the clock at time zero of the bus; once served, as it was in the last pass
        self._master, self._slave = os.openpty()
        # Raw before the name is known, and kept open: else the host's first bytes are echoed, and the line
        # hangs up between two hosts.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)

    def serve(self, stop: Callable[[], bool], others: Mapping[int, Callable[[], None]] | None = None) -> None:
        """Carry bytes and let the time of the bus pass until `stop()` says so (asked every 20 ms or oftener).

        others: what else to wait for, and to call when it is readable; may change between passes. Such a call may
        let the time of the bus pass by itself: the bus then goes on from there.
        """
        others = {} if others is None else others
        start_ns = self._clock() - self._bus.now_ns
        self.epoch_ns = start_ns
        while not stop():
            self._bus.run(self._clock() - start_ns)
            self._write()
            next_ns = self._bus.next_event_ns
            wait_ns = _LONGEST_WAIT_NS if next_ns is None else next_ns - (self._clock() - start_ns)
            wait_s = min(max(wait_ns, 0), _LONGEST_WAIT_NS) * 1e-9
            readable, _, _ = select.select([self._master, *others], [self._master] if self._out else [], [], wait_s)
            for fd in readable:
                self._bus.run(self._clock() - start_ns)  # a frame leaves no earlier than it came
                if fd == self._master:
                    self._read()
                elif fd in others:
                    others[fd]()
                    self.epoch_ns = start_ns = min(start_ns, self._clock() - self._bus.now_ns)

    def answer_once(self, number: bytes) -> None:
        """Give this for the serial number to whoever asks next, and only to that one."""
        self._line.next_number = number

    def forget_dead_host(self) -> None:
        """Open the terminal to the next host where the last one, killed, left it marked as exclusive."""
        try:
            fcntl.flock(self._slave, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return  # a living host holds it
        fcntl.ioctl(self._slave, termios.TIOCNXCL)
        fcntl.flock(self._slave, fcntl.LOCK_UN)

    def close(self) -> None:
        """Leave the bus and close the terminal; harmless when repeated."""
        if self._master >= 0:
            self._port.detach()
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1

    def _read(self) -> None:
        was_open = self._line.is_open
        answers = self._line.feed(os.read(self._master, 4096))
        if was_open and not self._line.is_open:
            self._out.clear()  # what the host that left has not read is nobody's
        self._out += answers

    def _write(self) -> None:
        if not self._out:
            return
        try:
            del self._out[: os.write(self._master, self._out)]
        except BlockingIOError:
            return

    def _receive(self, frame: Frame) -> None:
        if self._watch is not None:
            self._watch(frame)
        if not self._line.is_open or frame.flags & SENT:
            return
        if len(self._out) > _BACKLOG:
            self.lost_frames += 1
            return
        self._out += frame_line(frame)
