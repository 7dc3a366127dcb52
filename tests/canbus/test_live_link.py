"""The live link: logic on python-can's in-process interface, the serial line on a pseudo-terminal."""

from __future__ import annotations

import ast
import builtins
import errno
import fcntl
import inspect
import json
import os
import re
import struct
import termios
import tty
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from legtest.canbus.frame import BRS, ERROR, EXTENDED, FD, REMOTE, SENT, Frame
from legtest.canbus.link import Link
from legtest.canbus.live import FOREIGN, MOST_BAD_PER_S, Claim, LiveLink, mapped
from legtest.errors import BusBusy, BusLost, LinkError

MS = 1_000_000
TIOCGEXCL = 0x80045440  # asm-generic/ioctls.h, from memory; Python has no name for it


@pytest.fixture
def link(request: pytest.FixtureRequest) -> Iterator[LiveLink]:
    link = LiveLink("virtual", request.node.name, 1_000_000)
    yield link
    link.close()


@pytest.fixture
def peer(request: pytest.FixtureRequest, link: LiveLink) -> Iterator[can.BusABC]:
    with can.Bus(interface="virtual", channel=request.node.name, ignore_config=True) as bus:
        yield bus


class Terminal:
    """The adapter's end of a serial line, played by the test."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        os.set_blocking(self.master, False)

    def read(self) -> bytes:
        return os.read(self.master, 65536)

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        for fd in (self.master, self.slave):
            if fd >= 0:
                os.close(fd)
        self.master = self.slave = -1


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    terminal = Terminal()
    yield terminal
    terminal.unplug()


@pytest.fixture
def serial(terminal: Terminal) -> Iterator[LiveLink]:
    link = LiveLink("slcan", terminal.path, 1_000_000)
    yield link
    link.close()


# ---------------------------------------------------------------- logic
def test_it_is_a_link(link: LiveLink, peer: can.BusABC) -> None:
    checked: Link = link
    before = checked.now_ns()
    checked.send(Frame(0, 0x123, b"\x01\x02"))
    peer.send(can.Message(arbitration_id=0x181, data=b"abc", is_extended_id=False))
    until = checked.now_ns() + 5 * MS
    frames = checked.pump(until)
    assert checked.now_ns() >= until, "pump is the wait: it ends at its deadline and not before"
    assert [frame[1:] for frame in frames] == [(0x123, b"\x01\x02", SENT), (0x181, b"abc", 0)]
    assert before <= frames[0].t_ns <= frames[1].t_ns <= checked.now_ns()
    received = peer.recv(0)
    assert received is not None
    assert (received.arbitration_id, bytes(received.data)) == (0x123, b"\x01\x02")
    assert checked.pump(0) == []


@pytest.mark.parametrize("flags", [0, EXTENDED, REMOTE, EXTENDED | REMOTE])
def test_flags_are_mapped_both_ways(link: LiveLink, peer: can.BusABC, flags: int) -> None:
    sent = Frame(0, 0x12345 if flags & EXTENDED else 0x7FF, bytes(3), flags)
    link.send(sent)
    message = peer.recv(0)
    assert message is not None
    assert (message.is_extended_id, message.is_remote_frame) == (bool(flags & EXTENDED), bool(flags & REMOTE))
    assert message.dlc == 3
    link.pump(0)
    peer.send(message)
    assert [frame[1:] for frame in link.pump(0)] == [sent[1:]]


@pytest.mark.parametrize(
    ("message", "flags"),
    [
        (
            can.Message(arbitration_id=1, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(64)),
            FD | BRS,
        ),
        (can.Message(arbitration_id=4, is_extended_id=False, is_error_frame=True, data=bytes(8)), ERROR),
    ],
)
def test_what_is_only_received_keeps_its_flags(
    link: LiveLink, peer: can.BusABC, message: can.Message, flags: int
) -> None:
    peer.send(message)
    assert [frame.flags for frame in link.pump(0)] == [flags]


MALFORMED = [
    can.Message(arbitration_id=0x181, is_extended_id=False, dlc=8, data=b"\x01\x02\x03\x04"),  # a torn line
    can.Message(arbitration_id=0x8FF, is_extended_id=False, data=b""),
    can.Message(arbitration_id=0x181, is_extended_id=False, data=bytes(9)),
]


@pytest.mark.parametrize("message", MALFORMED)
def test_what_is_no_frame_is_counted_and_left_out(link: LiveLink, peer: can.BusABC, message: can.Message) -> None:
    peer.send(message)
    peer.send(can.Message(arbitration_id=0x182, is_extended_id=False, data=b"ok"))
    assert [frame.can_id for frame in link.pump(0)] == [0x182]
    assert link.bad_frames == 1


def test_a_line_that_carries_nothing_sound_is_lost(link: LiveLink, peer: can.BusABC) -> None:
    for _ in range(MOST_BAD_PER_S + 1):
        peer.send(MALFORMED[0])
    with pytest.raises(BusLost, match="malformed frames within a second"):
        link.pump(0)
    with pytest.raises(BusLost):
        link.pump(0)


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0, 0x1ABC, b""),
        Frame(0, 1, bytes(9)),
        Frame(0, 1, bytes(13), FD),
        Frame(0, 1, b"", ERROR),
        Frame(0, -1, b""),
    ],
)
def test_what_is_no_classical_frame_never_reaches_the_bus(link: LiveLink, peer: can.BusABC, frame: Frame) -> None:
    with pytest.raises(ValueError, match=r"0x|data bytes"):
        link.send(frame)
    assert peer.recv(0) is None
    assert link.pump(0) == []


def test_a_closed_link_says_so(link: LiveLink) -> None:
    link.close()
    link.close()
    for use in (lambda: link.pump(0), lambda: link.send(Frame(0, 1, b""))):
        with pytest.raises(BusLost, match="closed"):
            use()


def test_nothing_around_the_program_points_it_anywhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """python-can asks the environment and files in the home and working folder, and adds what they say."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    for name in ("can.conf", ".can", ".canrc", "can.ini", "can.rc"):
        (tmp_path / name).write_text(
            "[default]\ninterface = nowhere\nchannel = elsewhere\nreceive_own_messages = True\n"
        )
    monkeypatch.setenv("CAN_INTERFACE", "nowhere")
    monkeypatch.setenv("CAN_CHANNEL", "elsewhere")
    monkeypatch.setenv("CAN_BITRATE", "125000")
    monkeypatch.setenv("CAN_CONFIG", "{not json")
    with pytest.raises(json.JSONDecodeError):  # so the trap is really there
        can.Bus(interface="virtual", channel="here")
    link = LiveLink("virtual", "here", 1_000_000)
    link.send(Frame(0, 1, b""))
    assert [frame.flags for frame in link.pump(0)] == [SENT]
    link.close()


@pytest.mark.parametrize("name", sorted(can.interfaces.BACKENDS))
def test_every_interface_is_opened_by_name_and_by_nothing_else(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """No driver is loaded here, and no adapter of the machine that runs the test is touched."""
    asked: list[dict[str, object]] = []

    def bus(**arguments: object) -> can.BusABC:
        asked.append(arguments)
        raise can.CanInitializationError("not in a test")

    monkeypatch.setattr(can, "Bus", bus)
    with pytest.raises(BusLost, match=f"opening {name} somewhere"):
        LiveLink(name, "somewhere", 250_000)
    expected = {"interface": name, "channel": "somewhere", "bitrate": 250_000, "ignore_config": True}
    assert expected.items() <= asked[0].items()


# ---------------------------------------------------------------- foreign exceptions
# python-can's own classes (can.exceptions) and what each becomes while sending and receiving.
MAPPED = {
    "CanError": BusLost,
    "CanInterfaceNotImplementedError": BusLost,
    "CanInitializationError": BusLost,
    "CanOperationError": BusLost,
    "CanTimeoutError": BusBusy,
}
# What its back ends let through besides, by their source and by trial on pseudo-terminals.
BARE: list[tuple[Exception, type[LinkError]]] = [
    (OSError(errno.EIO, "gone"), BusLost),
    (OSError(errno.ENOBUFS, "full"), BusBusy),
    (TimeoutError("late"), BusBusy),
    (struct.error("short"), BusLost),
    (TypeError("t"), BusLost),
    (AssertionError("a"), BusLost),
    (KeyError("k"), BusLost),
    (NotImplementedError("n"), BusLost),
    (ImportError("a vendor's package"), BusLost),
    (NameError("a function of a library that did not load"), BusLost),
    (can.CanOperationError("down", errno.ENETDOWN), BusLost),
]


class Broken(can.BusABC):
    """An interface that fails with the same error in everything it is asked."""

    def __init__(self, error: Exception) -> None:
        self.error = error
        self.channel_info = "broken"
        super().__init__(channel="broken")

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        raise self.error

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        raise self.error

    def shutdown(self) -> None:
        super().shutdown()
        raise self.error


def test_every_exception_class_of_python_can_is_mapped() -> None:
    there = {
        name
        for name, value in vars(can.exceptions).items()
        if inspect.isclass(value) and issubclass(value, Exception) and value.__module__ == "can.exceptions"
    }
    assert there == MAPPED.keys()


@pytest.mark.parametrize(
    ("error", "ours"), [*((getattr(can, name)("x"), ours) for name, ours in MAPPED.items()), *BARE], ids=repr
)
def test_foreign_exceptions_stop_at_the_border(
    error: Exception, ours: type[LinkError], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can, "Bus", lambda **_: Broken(error))
    link = LiveLink("broken", "", 1_000_000)
    with pytest.raises(ours) as caught:
        link.send(Frame(0, 1, b""))
    assert caught.value.__cause__ is error
    link.close()  # shutdown fails as well, and stays inside
    link = LiveLink("broken", "", 1_000_000)
    with pytest.raises(LinkError):
        link.pump(0)
    link.close()

    def refuse(**_: object) -> can.BusABC:
        raise error

    monkeypatch.setattr(can, "Bus", refuse)
    with pytest.raises(LinkError, match="opening broken"):
        LiveLink("broken", "", 1_000_000)


def _classes_of_the_library() -> dict[str, list[str]]:
    """Every class that python-can's own source defines with an exception among its bases: name -> names of bases.

    Read, not imported: most back ends need a vendor's library to be imported.
    """
    found: dict[str, list[str]] = {}
    for path in sorted(Path(can.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, []).extend(ast.unparse(base).rpartition(".")[2] for base in node.bases)
    known = {name: True for name, value in vars(builtins).items() if _is_exception(value)}

    def raised(name: str) -> bool:
        if name not in known:
            known[name] = False  # a class that names itself
            known[name] = any(raised(base) for base in found.get(name, ()))
        return known[name]

    return {name: bases for name, bases in found.items() if raised(name)}


def _is_exception(value: object) -> bool:
    return inspect.isclass(value) and issubclass(value, BaseException)


# Raised by the readers of log files, and by those alone: no bus raises it.
OF_FILES = {"BLFParseError"}


def test_every_exception_of_every_back_end_is_caught_at_the_border() -> None:
    """A release of python-can with an exception that is none of what the border catches fails here."""
    defined = _classes_of_the_library()
    assert len(defined) > 15, "python-can's source was not found"
    caught = {kind.__name__ for kind in FOREIGN} | {
        name for name, value in vars(builtins).items() if _is_exception(value) and issubclass(value, FOREIGN)
    }
    caught.add("error")  # struct.error

    def stops(name: str) -> bool:
        return name in caught or any(stops(base) for base in defined.get(name, ()))

    assert {name for name in defined if not stops(name)} == OF_FILES


def _family(kind: type[OSError]) -> list[type[OSError]]:
    return [kind, *(each for child in kind.__subclasses__() for each in _family(child))]


@pytest.mark.parametrize(
    "kind", [kind for kind in _family(OSError) if kind.__module__ == "builtins"], ids=lambda kind: kind.__name__
)
@pytest.mark.parametrize("doing", ["opening x", "sending", "receiving"])
def test_the_whole_family_of_os_errors_is_mapped(kind: type[OSError], doing: str) -> None:
    busy = issubclass(kind, TimeoutError | BlockingIOError)
    error = mapped(kind("words"), doing)
    assert type(error) is (BusBusy if busy else BusLost)
    assert "words" in str(error)
    assert "check" in str(error), "the way out"


@pytest.mark.parametrize(
    ("error", "doing", "ours", "says"),
    [
        (OSError(errno.EIO, "io"), "receiving", BusLost, "the adapter is gone; check its plug"),
        (OSError(errno.ENXIO, "io"), "sending", BusLost, "the adapter is gone"),
        (BrokenPipeError(errno.EPIPE, "pipe"), "sending", BusLost, "the adapter is gone"),
        (can.CanOperationError("gone", errno.ENODEV), "receiving", BusLost, "no such device"),
        (can.CanOperationError("Transmit buffer full"), "sending", BusBusy, "queue is full: nobody acknowledges"),
        (can.CanOperationError("x", errno.ENOBUFS), "sending", BusBusy, "queue is full: nobody acknowledges"),
        (can.CanTimeoutError("late"), "sending", BusBusy, "queue is full: nobody acknowledges"),
        (can.CanTimeoutError("late"), "opening x", BusBusy, "does not answer in time"),
        (can.CanOperationError("Bus-Off state"), "sending", BusLost, "bus off.*check termination and bit rate"),
        (can.CanOperationError("The bus is off"), "sending", BusLost, "check adapter"),
        (type("VCIBusOffError", (can.CanOperationError,), {})("Controller is in BUSOFF state"), "receiving", BusLost,
         "check termination and bit rate"),
        (can.CanInterfaceNotImplementedError("no module"), "opening x", BusLost, "check bus.interface, and install"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "no"), "opening x", BusLost, "nothing serves this channel"),
    ],
    ids=str,
)  # fmt: skip
def test_a_cause_that_is_known_is_named_with_its_remedy(
    error: Exception, doing: str, ours: type[LinkError], says: str
) -> None:
    got = mapped(error, doing)
    assert type(got) is ours
    assert re.search(says, str(got)), str(got)


def test_bus_off_is_remembered_from_its_error_frame(
    link: LiveLink, peer: can.BusABC, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A controller that is bus off only lets its queue run full; the error frame before says why."""
    peer.send(can.Message(arbitration_id=0x40, is_error_frame=True, is_extended_id=False, dlc=8, data=bytes(8)))
    assert [frame.flags for frame in link.pump(0)] == [ERROR], "the loop sees it and goes on: it may come back"

    def full(*_: object, **__: object) -> None:
        raise can.CanOperationError("full", errno.ENOBUFS)

    with monkeypatch.context() as patch:
        patch.setattr(link._bus, "send", full)
        with pytest.raises(BusBusy, match="bus off after too many errors: check termination and bit rate"):
            link.send(Frame(0, 1, b""))
    peer.send(can.Message(arbitration_id=0x181, is_extended_id=False))
    link.pump(0)
    with monkeypatch.context() as patch:
        patch.setattr(link._bus, "send", full)
        with pytest.raises(BusBusy) as caught:
            link.send(Frame(0, 1, b""))
    assert "bus off" not in str(caught.value), "it is back"


def test_listening_only_acknowledges_and_sends_nothing(terminal: Terminal) -> None:
    link = LiveLink("slcan", terminal.path, 500_000, listen_only=True)
    said = terminal.read().split(b"\r")
    assert b"L" in said
    assert b"O" not in said[said.index(b"L") :], "not opened for talking afterwards"
    terminal.write(b"t1812AABB\r")
    assert [frame.can_id for frame in link.pump(link.now_ns())] == [0x181]
    with pytest.raises(ValueError, match="listen only"):
        link.send(Frame(0, 1, b""))
    link.close()
    with pytest.raises(ValueError, match="cannot be opened to listen only"):
        LiveLink("socketcan", "can0", 500_000, listen_only=True)


def test_no_such_interface_and_no_such_device_have_a_way_out(tmp_path: Path) -> None:
    with pytest.raises(BusLost, match="opening nowhere"):
        LiveLink("nowhere", "x", 1_000_000)
    with pytest.raises(BusLost, match=r"check bus\.channel"):
        LiveLink("slcan", str(tmp_path / "ttyUSB9"), 1_000_000)
    with pytest.raises(BusLost, match="as a serial device"):
        LiveLink("slcan", "/dev/null", 1_000_000)


# ---------------------------------------------------------------- the serial line
def test_opening_takes_no_time_and_says_the_bit_rate(serial: LiveLink, terminal: Terminal) -> None:
    said = terminal.read().split(b"\r")
    assert said[0] == b"C"
    assert b"S8" in said
    assert said[-2] == b"O"
    assert serial.now_ns() < 1_000 * MS, "python-can's default is to sleep two seconds"


def test_answers_of_the_adapter_hide_no_frame(serial: LiveLink, terminal: Terminal) -> None:
    terminal.write(b"\r\rz\rz\r\at1812AABB\rz\rT123456781FF\rz\r\r")
    frames = serial.pump(serial.now_ns())
    assert [frame[1:] for frame in frames] == [(0x181, b"\xaa\xbb", 0), (0x12345678, b"\xff", EXTENDED)]
    assert serial.bad_frames == 0


def test_a_frame_in_pieces_arrives_when_it_is_whole(serial: LiveLink, terminal: Terminal) -> None:
    terminal.write(b"t1812A")
    assert serial.pump(serial.now_ns() + MS) == []
    terminal.write(b"ABB\r")
    assert [frame.data for frame in serial.pump(serial.now_ns() + MS)] == [b"\xaa\xbb"]


@pytest.mark.parametrize("line", [b"t18zAABB\r", b"t18\r", b"t1814AABB\r", b"tXYZ\r"])
def test_a_garbled_line_is_left_out_and_the_next_one_read(serial: LiveLink, terminal: Terminal, line: bytes) -> None:
    terminal.write(line + b"t1822CCDD\r")
    assert [frame.can_id for frame in serial.pump(serial.now_ns() + MS)] == [0x182]
    assert serial.bad_frames == 1


def test_noise_on_the_line_is_the_end(serial: LiveLink, terminal: Terminal) -> None:
    terminal.write(b"\xff\xfe\r")
    with pytest.raises(BusLost, match="receiving failed"):
        serial.pump(serial.now_ns() + MS)


def test_unplugged(serial: LiveLink, terminal: Terminal) -> None:
    terminal.unplug()
    with pytest.raises(BusLost, match="check"):
        serial.pump(serial.now_ns() + 50 * MS)
    with pytest.raises(BusLost):
        serial.send(Frame(0, 1, b""))
    serial.close()


def test_unplugged_while_sending(serial: LiveLink, terminal: Terminal) -> None:
    serial.send(Frame(0, 1, b""))
    terminal.unplug()
    with pytest.raises(LinkError):
        serial.send(Frame(0, 1, b""))
    serial.close()


def test_an_adapter_that_stops_reading_is_noticed_and_never_waited_for(serial: LiveLink) -> None:
    def fill() -> None:
        for _ in range(20_000):
            took.append(-serial.now_ns())
            serial.send(Frame(0, 0x201, bytes(8)))
            took[-1] += serial.now_ns()

    took: list[int] = []
    with pytest.raises(BusLost, match="sending failed"):
        fill()
    assert len(took) > 100  # some hundred lines fit into the terminal's buffer
    assert took[-1] + serial.now_ns() < 500 * MS  # 50 ms on an idle machine; python-can by default waits for ever
    with pytest.raises(BusLost):
        serial.send(Frame(0, 0x201, bytes(8)))


def test_one_host_at_a_time(terminal: Terminal, tmp_path: Path) -> None:
    first = LiveLink("slcan", terminal.path, 1_000_000)
    other_name = tmp_path / "adapter"
    other_name.symlink_to(terminal.path)
    with pytest.raises(BusBusy, match=rf"in use by process {os.getpid()} \("):
        LiveLink("slcan", str(other_name), 1_000_000)
    assert _exclusive(terminal), "programs that know nothing of the lock are kept out as well"
    first.send(Frame(0, 1, b""))  # the second one has not closed the channel of the first
    first.close()
    assert not _exclusive(terminal)
    LiveLink("slcan", str(other_name), 1_000_000).close()


def test_a_claim_names_the_device_itself(terminal: Terminal, tmp_path: Path) -> None:
    (tmp_path / "adapter").symlink_to(terminal.path)
    claim = Claim(str(tmp_path / "adapter"))
    (tmp_path / "adapter").unlink()
    (tmp_path / "adapter").symlink_to("/dev/null")
    assert claim.path == terminal.path
    claim.close()
    claim.close()


def _exclusive(terminal: Terminal) -> bool:
    return bool(struct.unpack("i", fcntl.ioctl(terminal.slave, TIOCGEXCL, bytes(4)))[0])


def test_the_number_of_that_query_is_right(terminal: Terminal) -> None:
    fcntl.ioctl(terminal.slave, termios.TIOCEXCL)
    assert _exclusive(terminal)
    fcntl.ioctl(terminal.slave, termios.TIOCNXCL)
    assert not _exclusive(terminal)
