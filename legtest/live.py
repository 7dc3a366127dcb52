"""Opening a live bench, which in this version is a running rehearsal and nothing else.

Real hardware must not hang on the process that runs the tests: when that dies in mid-motion, nobody is left to stop the
leg in order. Until the loop has a process of its own, a live run opens only a channel that `legtest rehearse` serves,
and that must prove it over the serial line itself, with a number drawn a moment ago.

The proof keeps a bench file that points elsewhere, another terminal and a recorded answer out. It is no defence against
a program of the same user that relays both socket and terminal on purpose.
"""

from __future__ import annotations

import gc
import json
import os
import secrets
import select
import socket
import stat
import struct
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from legtest import wiring
from legtest.bench import Bench, Log
from legtest.canbus.wiremap import Reaction
from legtest.description.model import BenchDescription, LegDescription
from legtest.description.setup import SetUp
from legtest.errors import LinkError, NotRun, UsageError
from legtest.safety.direct import DirectPort
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.port import LineSink, PrecheckReport
from legtest.signoff import read_signoff

if TYPE_CHECKING:
    from legtest.canbus.live import Claim

PTS_MAJORS = range(136, 144)  # pseudo-terminals in Linux' list of device numbers (admin-guide/devices.txt)
PROOF_S = 2.0
ARRANGE_S = 60.0
_LONGEST_ANSWER = 4096
_MOST_STALE = 1_000_000  # bytes that an earlier host has left unread
_WHY = (
    "this version opens no real hardware: its control loop still runs in the process of the tests, and a real leg must "
    "not hang on that process. A live run opens only a channel served by `legtest rehearse --leg LEG --bench BENCH`"
)


def open_live(
    leg: LegDescription,
    bench: BenchDescription,
    signoff_path: str | Path,
    *,
    log: Log,
    frames: LineSink,
    events: Callable[[str], None],
    may_energise: Callable[[], str],
    now: datetime,
) -> Bench:
    """A bench on the channel of a running rehearsal; see wiring.bench_on for log, frames, events, may_energise.

    now: the time of day, with its zone, for the sign-off's validity.
    Raises UsageError, before anything is opened, for the system and the sign-off, and for a channel that is not proven
    to be a rehearsal's; LinkError for an adapter that cannot be used.
    """
    require_linux()
    signoff = read_signoff(signoff_path, leg, bench, now)
    if not signoff.rehearsal:
        raise UsageError(f"{signoff_path}: this is not the sign-off of a rehearsal, and {_WHY}")
    setup = wiring.setup_of(leg, bench)
    identity = tuple(node._replace(serial=n) for node, n in zip(setup.identity, signoff.serials, strict=True))
    hands, claim = _proven(bench)
    from legtest.canbus.live import LiveLink

    try:
        link = LiveLink(bench.interface, bench.channel, bench.bit_rate, claim=claim)
    except LinkError:
        hands.close()
        raise
    gc.collect()
    gc.freeze()  # what is there now is not looked through again by every full collection
    return wiring.bench_on(
        link, leg, bench, hands=hands, by=signoff.by, log=log, frames=frames, events=events, may_energise=may_energise,
        setup=replace(setup, identity=identity), port=lambda loop, may: LivePort(loop, may, hands),
    )  # fmt: skip


def require_linux() -> None:
    """Raises UsageError on a system without what a live bench needs."""
    try:
        import fcntl  # noqa: F401
        import pty  # noqa: F401
        import termios  # noqa: F401

        known = sys.platform == "linux" and hasattr(socket, "AF_UNIX")
    except ImportError:
        known = False
    if not known:
        raise UsageError(f"a live bench needs Linux, not {sys.platform}; without --live the leg is simulated anywhere")


class LivePort(DirectPort):
    """A port in real time: while the leg may be energised, this process attends to it.

    No garbage is collected then (a full collection takes tens of milliseconds in a long run, which the leg would feel
    as a hung host), and the process goes before others where the system allows it (root, or CAP_SYS_NICE).
    """

    def __init__(self, loop: Loop, may_energise: Callable[[], str], hands: RehearsalHands) -> None:
        super().__init__(loop, may_energise)
        self._hands = hands
        self._usual: tuple[int, os.sched_param] | None = None

    def precheck(self) -> PrecheckReport:
        self._attend()
        try:
            return super().precheck()
        finally:
            self._relax()

    def energise(self, key: Permit) -> None:
        self._attend()
        super().energise(key)

    def lower_and_off(self) -> None:
        super().lower_and_off()
        self._relax()

    def set_home(self, positions_rad: Mapping[str, float], key: Permit) -> None:
        self._attend()
        try:
            super().set_home(positions_rad, key)
        finally:
            self._relax()

    def stop(self, reaction: Reaction, why: str) -> None:
        super().stop(reaction, why)
        self._relax()

    def close(self) -> None:
        super().close()
        self._relax()
        self._hands.close()

    def _attend(self) -> None:
        gc.collect()
        gc.disable()
        if self._usual is not None:
            return
        usual = os.sched_getscheduler(0), os.sched_getparam(0)
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
            self._usual = usual

    def _relax(self) -> None:
        gc.enable()
        if self._usual is not None:
            os.sched_setscheduler(0, *self._usual)
            self._usual = None


class RehearsalHands:
    """The person of a rehearsal, asked over the socket beside the channel. Raises OSError when nobody is there."""

    def __init__(self, channel: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(PROOF_S)
            self._socket.connect(f"{channel}.hands")
            _, user, _ = struct.unpack("3i", self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
            if user not in (0, os.geteuid()):
                raise PermissionError(f"it is served by another user ({user})")
        except OSError:
            self._socket.close()
            raise

    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None:
        """Have leg and stand arranged. Raises NotRun when the rehearsal cannot."""
        try:
            self._socket.settimeout(ARRANGE_S)
            refused = self.ask({"ask": "arrange", "setup": setup.value, "mass_kg": mass_kg})
        except (OSError, ValueError) as error:
            raise NotRun(f"'{setup}' was not arranged: the rehearsal does not answer: {error}") from error
        if refused:
            raise NotRun(f"'{setup}' was not arranged: {refused}")

    def ask(self, request: Mapping[str, object]) -> str:
        """One request; why it was refused, "" = done. Raises OSError, ValueError."""
        self._socket.sendall(json.dumps(request).encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            data = self._socket.recv(_LONGEST_ANSWER)
            answer += data
            if not data or len(answer) > _LONGEST_ANSWER:
                raise ConnectionError("it has ended")
        match json.loads(answer):
            case {"done": True}:
                return ""
            case {"refused": str(why)}:
                return why
        raise ValueError("what it answers is not understood")

    def close(self) -> None:
        self._socket.close()


def _proven(bench: BenchDescription) -> tuple[RehearsalHands, Claim]:
    """The person and the terminal of a rehearsal that has just proven to be one. Raises UsageError, LinkError."""

    def refuse(why: str, cause: BaseException | None = None) -> NoReturn:
        raise UsageError(f"{bench.path}: bus.channel: {bench.channel}: {why}; {_WHY}") from cause

    if bench.interface != "slcan":
        refuse(f"a rehearsal is a serial CAN adapter (slcan), and this bench says '{bench.interface}'")
    try:
        found = Path(bench.channel).stat()
    except (OSError, ValueError) as error:
        refuse(f"nothing is served there ({error})", error)
    if not _is_terminal(found):  # looked at before it is opened: opening alone can reset a real adapter
        refuse("this is not a pseudo-terminal")
    try:
        hands = RehearsalHands(bench.channel)
    except OSError as error:
        refuse(f"no rehearsal answers at {bench.channel}.hands ({error})", error)
    from legtest.canbus.live import Claim

    try:
        claim = Claim(bench.channel)
    except LinkError:
        hands.close()
        raise
    try:
        if not _is_terminal(os.fstat(claim.fd)):
            refuse("this is not a pseudo-terminal any more")
        nonce = secrets.token_hex(16)
        refused = hands.ask({"ask": "prove", "nonce": nonce})
        if refused:
            refuse(f"the rehearsal will not prove itself: {refused}")
        if _serial_number(claim.fd) != nonce.encode():
            refuse("the rehearsal that answers on the socket is not what answers on this line")
    except (OSError, ValueError) as error:
        claim.close()
        hands.close()
        refuse(f"the proof went wrong: {error}", error)
    except UsageError:
        claim.close()
        hands.close()
        raise
    return hands, claim


def _is_terminal(found: os.stat_result) -> bool:
    return stat.S_ISCHR(found.st_mode) and os.major(found.st_rdev) in PTS_MAJORS


def _serial_number(fd: int) -> bytes:
    """What the adapter answers to the query for its serial number. Raises OSError (TimeoutError)."""
    os.write(fd, b"\rC\rN\r")  # end a line that a killed host has left half, close the channel, then ask
    heard, taken = b"", 0
    while taken < _MOST_STALE:
        if not select.select([fd], [], [], PROOF_S)[0]:
            break
        data = os.read(fd, 4096)
        taken += len(data)
        *lines, heard = (heard + data).replace(b"\a", b"\r").split(b"\r")
        for line in lines:
            if line.startswith(b"N"):
                return line[1:]
    raise TimeoutError("the line does not answer")
