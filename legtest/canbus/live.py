"""A real CAN adapter as a `Link`, through any python-can interface, and the exclusive use of a serial one.

The one module of this room that asks the system for the time. Everything python-can and its back ends may raise is
mapped here to BusBusy and BusLost, with the likely cause and the way out.
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import stat
import struct
import termios
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import can

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame, frame
from legtest.errors import BusBusy, BusLost, LinkError

SEND_WAIT_S = 0.001  # for room in the adapter's queue; see Link.send
WRITE_LIMIT_S = 0.05  # python-can without a limit blocks for ever on an adapter that stops reading
MOST_BAD_PER_S = 20
IN_USE = "it may be moving a leg: wait until it ends, or stop it with Ctrl-C in its terminal"
# For the serial line python-can sleeps two seconds after opening and a millisecond in every empty read by default.
_EXTRA: Mapping[str, Mapping[str, Any]] = {"slcan": {"sleep_after_open": 0, "timeout": 0}}
# What the back ends raise, by their source and by trial; each of them lets some bare exceptions through.
FOREIGN = (
    can.CanError, OSError, struct.error, ValueError, TypeError, IndexError, AssertionError, KeyError,
    NotImplementedError, ImportError, NameError,
)  # fmt: skip
_NO_DRIVER = (can.CanInterfaceNotImplementedError, ImportError, NameError)  # the last: of a library that did not load
_BUSY = {errno.EAGAIN, errno.ENOBUFS, errno.EBUSY}
_FULL = "the transmit queue is full: nobody acknowledges; check the drives' supply, the cable and the bit rate"
_BUS_OFF = "the adapter is bus off after too many errors: check termination and bit rate"
_BUS_OFF_CLASS = 0x40  # of an error frame's identifier, CAN_ERR_BUSOFF of linux/can/error.h
PASSIVE = {"slcan"}  # interfaces whose python-can constructor can open without acknowledging
_CAUSES = {
    errno.ENOENT: "there is no such device; check bus.channel and the cable",
    errno.ENODEV: "there is no such device; check bus.channel and the cable",
    errno.ENXIO: "the adapter is gone; check its plug and its supply",
    errno.EIO: "the adapter is gone; check its plug and its supply",
    errno.EACCES: "this user may not open it; join the device's group and log in again",
    errno.EPERM: "this user may not open it; join the device's group and log in again",
    errno.EBUSY: "another program uses it; find out which before you end it: it may be moving a leg",
    errno.ENETDOWN: "the interface is down; bring it up with its bit rate first",
    errno.ENETUNREACH: "the interface is gone; check the adapter's plug and its supply",
    errno.EPIPE: "the adapter is gone; check its plug and its supply",
    errno.ECONNRESET: "the adapter is gone; check its plug and its supply",
    errno.ECONNREFUSED: "nothing serves this channel; check bus.channel and start its server",
    errno.ETIMEDOUT: "the adapter does not answer; check its plug and its supply",
}


class Claim:
    """Exclusive use of a serial device among programs that ask: an advisory lock, and TIOCEXCL while it is open.

    path: the device itself, whatever links led to it; it cannot come to mean another one while the claim is held.
    Raises BusBusy when the device is in use, BusLost when it cannot be opened or is no serial device.
    """

    def __init__(self, channel: str) -> None:
        try:
            self.fd = os.open(channel, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise mapped(error, f"opening {channel}") from error
        try:
            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self.path = os.ttyname(self.fd)
        except BlockingIOError as error:
            holder = _holder(self.fd)
            os.close(self.fd)
            raise BusBusy(f"{channel} is in use by {holder}: {IN_USE}") from error
        except OSError as error:
            os.close(self.fd)
            raise mapped(error, f"claiming {channel} as a serial device") from error

    def exclusive(self, on: bool) -> None:
        """Keep programs that do not ask from opening it as well (root can, always)."""
        fcntl.ioctl(self.fd, termios.TIOCEXCL if on else termios.TIOCNXCL)

    def close(self) -> None:
        """Let others have it; harmless when repeated."""
        if self.fd >= 0:
            with suppress(OSError):  # the device is gone, and the flag with it
                self.exclusive(False)  # the flag outlives us where somebody else holds the device open
            os.close(self.fd)
            self.fd = -1


def _holder(fd: int) -> str:
    """Who holds the lock, by the kernel's table (proc_locks(5))."""
    held = os.fstat(fd)
    place = f"{os.major(held.st_dev):02x}:{os.minor(held.st_dev):02x}:{held.st_ino}"
    try:
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            fields = line.split()
            if place in fields and "->" not in fields:
                pid = fields[fields.index(place) - 1]
                name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8", errors="replace").strip()
                return f"process {pid} ({name})"
    except OSError:
        pass  # it ended this moment, or is not ours to see
    return "another program"


def mapped(error: Exception, doing: str) -> LinkError:
    """Our own error for a foreign one: busy, or lost with its likely cause."""
    cause = error.__cause__ or error.__context__
    number = getattr(error, "error_code", None) or getattr(error, "errno", None) or getattr(cause, "errno", None)
    if _is_bus_off(error):
        return BusLost(f"{doing} failed: {_words(error)}; {_BUS_OFF}")
    full = number in _BUSY or "buffer full" in str(error).lower()
    late = isinstance(error, TimeoutError | BlockingIOError)
    if doing == "sending" and (late or full):
        return BusBusy(f"sending: {_FULL} ({_words(error)})")
    if late:
        return BusBusy(f"{doing}: the adapter does not answer in time: {_words(error)}; check its plug and its supply")
    likely = _CAUSES.get(number or 0, "check adapter, cable, bit rate and that no other program uses it")
    if isinstance(error, _NO_DRIVER):
        likely = "check bus.interface, and install the driver and the package that python-can names for it"
    return BusLost(f"{doing} failed: {_words(error)}; {likely}")


def _is_bus_off(error: Exception) -> bool:
    """Whether a back end says so, by the name of its exception or in its words."""
    said = f"{type(error).__name__} {error}".lower().replace("-", "").replace(" ", "")
    return "busoff" in said


def _words(error: Exception) -> str:
    cause = error.__cause__
    tail = f" ({cause})" if cause is not None and str(cause) not in str(error) else ""
    return f"{str(error) or type(error).__name__}{tail}"


class LiveLink:
    """A `Link` on a python-can interface. One thread; stamps are monotonic, taken when a frame arrives.

    bit_rate: bits per second. claim: a serial device claimed already, which the link then owns; without it, a
    channel that is a character device is claimed here. listen_only: acknowledge and send nothing, for the interfaces
    in `PASSIVE`. No environment variable and no file in a home folder is asked. Raises BusBusy, BusLost; ValueError
    for an interface that cannot only listen.
    """

    def __init__(
        self, interface: str, channel: str, bit_rate: int, *, claim: Claim | None = None, listen_only: bool = False
    ) -> None:
        if listen_only and interface not in PASSIVE:
            raise ValueError(f"{interface} cannot be opened to listen only")
        if claim is None and _is_device(channel):
            claim = Claim(channel)
        self._claim = claim
        self._opened_ns = time.monotonic_ns()
        self._frames: list[Frame] = []
        self._bad: list[int] = []
        self._lost = ""
        self._bus_off = False  # as the adapter said last, in an error frame
        self._listens = listen_only
        self.bad_frames = 0
        extra = {**_EXTRA.get(interface, {}), **({"listen_only": True} if listen_only else {})}
        try:
            self._bus: can.BusABC | None = can.Bus(
                interface=interface,
                channel=claim.path if claim else channel,
                bitrate=bit_rate,
                ignore_config=True,
                **extra,
            )
            if claim:
                claim.exclusive(True)
        except FOREIGN as error:
            if claim:
                claim.close()
            raise mapped(error, f"opening {interface} {channel}") from error
        self._fd = _fileno(self._bus)

    def now_ns(self) -> int:
        """Nanoseconds since the link was opened."""
        return time.monotonic_ns() - self._opened_ns

    def send(self, frame: Frame) -> None:
        """Hand one frame to the adapter. Raises BusBusy, BusLost; ValueError for what is no frame of classical CAN.

        Waits a millisecond for room; an adapter that hangs costs WRITE_LIMIT_S once, and then the link is lost.
        """
        bus = self._open_bus()
        if self._listens:
            raise ValueError("this link was opened to listen only")
        message = _message(frame)
        try:
            if self._fd is not None and not select.select((), (self._fd,), (), SEND_WAIT_S)[1]:
                raise BusBusy("the adapter does not take what is sent to it; it may hang, or the bus is overloaded")
            bus.send(message, timeout=WRITE_LIMIT_S)
        except FOREIGN as error:
            raise self._failed(error, "sending") from error
        self._frames.append(Frame(self.now_ns(), frame.can_id, frame.data, frame.flags | SENT))

    def pump(self, until_ns: int) -> list[Frame]:
        """Everything that arrives up to the instant, and what was sent since the last call. Raises BusLost."""
        bus = self._open_bus()
        try:
            while True:
                left_s = (until_ns - self.now_ns()) * 1e-9
                self._receive(bus, max(left_s, 0.0))
                if left_s <= 0.0:
                    break
        except FOREIGN as error:
            raise self._failed(error, "receiving") from error
        frames, self._frames = self._frames, []
        return frames

    def _receive(self, bus: can.BusABC, wait_s: float) -> None:
        """Wait for something at most so long, then take all there is."""
        if self._fd is None:
            while self._take(bus, wait_s):
                wait_s = 0.0
            return
        fds = (self._fd,)
        readable = select.select(fds, (), (), wait_s)[0]
        while readable:  # not until recv says None: it does so for each answer of the adapter as well
            self._take(bus, 0.0)
            readable = select.select(fds, (), (), 0.0)[0]

    def _take(self, bus: can.BusABC, wait_s: float) -> bool:
        try:
            message = bus.recv(wait_s)
        except (ValueError, IndexError):
            self._count_bad()
            return True
        if message is None:
            return False
        received = _frame(message, self.now_ns())
        if received is None:
            self._count_bad()
        else:
            self._bus_off = bool(received.flags & ERROR and received.can_id & _BUS_OFF_CLASS)
            self._frames.append(received)
        return True

    def _count_bad(self) -> None:
        """Something came that is no frame: left out and counted, until there is too much of it."""
        self.bad_frames += 1
        now = self.now_ns()
        self._bad = [t_ns for t_ns in self._bad if now - t_ns < 1_000_000_000] + [now]
        if len(self._bad) > MOST_BAD_PER_S:
            raise self._failed(can.CanOperationError(f"{len(self._bad)} malformed frames within a second"), "receiving")

    def _failed(self, error: Exception, doing: str) -> LinkError:
        failure = mapped(error, doing)
        if self._bus_off:
            failure = type(failure)(f"{failure}; {_BUS_OFF}")
        if isinstance(failure, BusLost):
            self._lost = str(failure)
        return failure

    def _open_bus(self) -> can.BusABC:
        if self._bus is None:
            raise BusLost("the link is closed")
        if self._lost:
            raise BusLost(self._lost)  # half a line may be on the wire: nothing can be trusted after that
        return self._bus

    def close(self) -> None:
        """Let go of the bus; harmless when repeated. Never raises: a bus that is gone cannot be closed properly."""
        bus, self._bus = self._bus, None
        if bus is None:
            return
        try:
            bus.shutdown()
        except FOREIGN:
            port = getattr(bus, "serialPortOrig", None)  # python-can leaves it open when the adapter is gone
            if port is not None:
                port.close()
        if self._claim:
            self._claim.close()


def _is_device(channel: str) -> bool:
    try:
        return stat.S_ISCHR(Path(channel).stat().st_mode)
    except (OSError, ValueError):
        return False


def _fileno(bus: can.BusABC) -> int | None:
    """What to wait for, None where the interface has nothing of the kind."""
    try:
        fd = bus.fileno()
    except (NotImplementedError, can.CanError):
        return None
    return fd if fd >= 0 else None


def _message(sent: Frame) -> can.Message:
    if sent.flags & (FD | BRS | ERROR):
        raise ValueError(f"frame 0x{sent.can_id:X}: only classical data and remote frames are sent")
    frame(sent.can_id, sent.data, sent.flags)  # python-can would send 0x1ABC as 0x1AB with a wrong length
    remote = bool(sent.flags & REMOTE)
    return can.Message(
        arbitration_id=sent.can_id,
        is_extended_id=bool(sent.flags & EXTENDED),
        is_remote_frame=remote,
        dlc=len(sent.data),
        data=None if remote else sent.data,
    )


def _frame(message: can.Message, t_ns: int) -> Frame | None:
    """The frame of a message; None where it is none: back ends pass on what they could not read whole."""
    can_id, extended = message.arbitration_id, message.is_extended_id
    data = bytes(message.dlc) if message.is_remote_frame else bytes(message.data)
    flags = (
        (EXTENDED if extended else 0)
        | (FD if message.is_fd else 0)
        | (BRS if message.bitrate_switch else 0)
        | (REMOTE if message.is_remote_frame else 0)
        | (ERROR if message.is_error_frame else 0)
    )
    longest = 64 if message.is_fd else 8
    highest = 0x1FFFFFFF if extended or message.is_error_frame else 0x7FF
    if len(data) != message.dlc or len(data) > longest or not 0 <= can_id <= highest:
        return None
    return Frame(t_ns, can_id, data, flags)
