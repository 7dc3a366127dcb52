"""Opening the adapter a bench names: its lock, the proof that a rehearsal is one, the link.

The proof keeps a bench file that points elsewhere, another terminal and a recorded answer out. It is no defence against
a program of the same user that relays both socket and terminal on purpose.
"""

from __future__ import annotations

import fcntl
import os
import re
import secrets
import select
import stat
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from legtest.errors import BusBusy, LinkError, UsageError
from legtest.keeper.hands import PROOF_S, RehearsalHands
from legtest.keeper.identity import identity_of, is_pseudo_terminal
from legtest.keeper.messages import Open

if TYPE_CHECKING:
    from legtest.canbus.live import Claim, LiveLink

_MOST_STALE = 1_000_000  # bytes that an earlier host has left unread


class AdapterLock:
    """The lock of an adapter that is no file: one of ours for all users, keyed by what the adapter is.

    Raises BusBusy when another process holds it, UsageError where no folder for locks is to be had.
    """

    def __init__(self, interface: str, channel: str) -> None:
        key = re.sub(r"[^A-Za-z0-9.-]", "_", identity_of(interface, channel))
        index = Path("/sys/class/net") / channel / "ifindex"
        if interface == "socketcan" and "/" not in channel and index.exists():
            key = f"socketcan-{index.read_text(encoding='ascii').strip()}"
        self.fd = _open_lock(f"legtest-{key}.lock")
        try:
            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self.fd)
            raise BusBusy(
                f"{interface} {channel} is in use by another run; it may be moving a leg: wait until it ends, or stop "
                "it with Ctrl-C in its terminal"
            ) from error

    def close(self) -> None:
        """Let others have it; harmless when repeated."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1


def _open_lock(name: str) -> int:
    why = ""
    for folder in (Path("/run/lock"), Path(f"/run/user/{os.geteuid()}")):
        try:
            fd = os.open(folder / name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)
        except OSError as error:
            why = f"{folder}: {error.strerror}"
            continue
        if stat.S_ISREG(os.fstat(fd).st_mode):
            return fd
        os.close(fd)
        why = f"{folder / name} is no ordinary file"
    raise UsageError(f"the adapter cannot be locked: {why}; make /run/lock writable for this user")


def open_link(opening: Open) -> tuple[LiveLink, object]:
    """The link of a bench, and what must be kept for as long as it is used.

    Raises UsageError for a channel that is not what it should be, BusBusy, BusLost.
    """
    return open_adapter(opening.interface, opening.channel, opening.bit_rate, rehearsal=opening.rehearsal)


def open_adapter(
    interface: str, channel: str, bit_rate: int, *, rehearsal: bool, listen_only: bool = False
) -> tuple[LiveLink, object]:
    """The link of an adapter, and what must be kept for as long as it is used.

    Raises UsageError for a channel that is not what it should be, BusBusy, BusLost.
    """
    from legtest.canbus.live import Claim, LiveLink

    claim: Claim | None = None
    kept: object = None
    if rehearsal:
        kept, claim = _proven(interface, channel)
    else:
        _refuse_pseudo_terminal(channel)
        if _is_device(channel):
            claim = Claim(channel)
            if is_pseudo_terminal(os.fstat(claim.fd)):
                claim.close()
                _refuse_terminal(channel)
        else:
            kept = AdapterLock(interface, channel)
    return LiveLink(interface, channel, bit_rate, claim=claim, listen_only=listen_only), kept


def _is_device(channel: str) -> bool:
    try:
        return stat.S_ISCHR(Path(channel).stat().st_mode)
    except (OSError, ValueError):
        return False


def _refuse_pseudo_terminal(channel: str) -> None:
    try:
        found = Path(channel).stat()
    except (OSError, ValueError):
        return
    if is_pseudo_terminal(found):
        _refuse_terminal(channel)


def _refuse_terminal(channel: str) -> NoReturn:
    raise UsageError(
        f"bus.channel: {channel}: this is a pseudo-terminal, and no adapter; a rehearsal is run with the sign-off that "
        "it wrote, not with a person's"
    )


def _proven(interface: str, channel: str) -> tuple[RehearsalHands, Claim]:
    """The terminal of a rehearsal that has just proven to be one, and the socket it did so on."""
    from legtest.canbus.live import Claim

    def refuse(why: str, cause: BaseException | None = None) -> NoReturn:
        tail = "with the sign-off of a rehearsal only a channel served by `legtest rehearse` is opened"
        raise UsageError(f"bus.channel: {channel}: {why}; {tail}") from cause

    if interface != "slcan":
        refuse(f"a rehearsal is a serial CAN adapter (slcan), and this bench says '{interface}'")
    try:
        found = Path(channel).stat()
    except (OSError, ValueError) as error:
        refuse(f"nothing is served there ({error})", error)
    if not is_pseudo_terminal(found):  # looked at before it is opened: opening alone can reset a real adapter
        refuse("this is not a pseudo-terminal")
    try:
        hands = RehearsalHands(channel)
    except OSError as error:
        refuse(f"no rehearsal answers at {channel}.hands ({error})", error)
    claim: Claim | None = None
    try:
        nonce = secrets.token_hex(16)
        refused = hands.ask({"ask": "prove", "nonce": nonce})  # its answer also says that it has let go of a dead host
        if refused:
            refuse(f"the rehearsal will not prove itself: {refused}")
        claim = Claim(channel)
        if not is_pseudo_terminal(os.fstat(claim.fd)):
            refuse("this is not a pseudo-terminal any more")
        if serial_number(claim.fd) != nonce.encode():
            refuse("the rehearsal that answers on the socket is not what answers on this line")
    except (OSError, ValueError, UsageError, LinkError) as error:
        if claim is not None:
            claim.close()
        hands.close()
        if isinstance(error, OSError | ValueError):
            refuse(f"the proof went wrong: {error}", error)
        raise
    return hands, claim


def serial_number(fd: int) -> bytes:
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
