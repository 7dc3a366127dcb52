"""The keeper: a small process with adapter, limits, monitor and heartbeat, which stops the leg when its host is gone.

Started by `legtest.keeper.start` with an isolated interpreter. All it is told comes through one pipe of packets. It
ends when the pipe does, and whatever ends it, the leg is stopped first; when it is killed, the drives notice by
themselves that nobody speaks to them.
"""

from __future__ import annotations

import os
import signal
import socket
import traceback
from contextlib import suppress
from functools import partial
from types import FrameType

from legtest.errors import LegtestError, LinkError
from legtest.keeper import latch, messages
from legtest.keeper.adapter import open_link
from legtest.keeper.errors import refusal
from legtest.keeper.identity import identity_of
from legtest.keeper.kept import Keeper
from legtest.keeper.messages import Done, Hello, Open, Refused
from legtest.keeper.system import attend, monotonic_ns
from legtest.keeper.writer import Writer

FIRST_WORD_S = 10.0
LAST_WORD_S = 1.0
# Of a terminal that is not ours, and of a pipe whose other end is watched otherwise.
_IGNORED = ("SIGINT", "SIGQUIT", "SIGTSTP", "SIGTTIN", "SIGTTOU", "SIGPIPE", "SIGUSR1", "SIGUSR2", "SIGALRM")


def main(pipe_fd: int, frames_fd: int, events_fd: int, parent: int) -> None:
    """The whole life of a keeper. Never returns."""
    for name in _IGNORED:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    pipe = socket.socket(fileno=pipe_fd)
    attend()
    writer = Writer()
    number = 0
    try:
        keeper = _opened(pipe, parent, writer, (frames_fd, events_fd))
        keeper.serve()
        number = keeper.closing
        last = Done(number, None) if number else refusal(0, LinkError(f"the keeper has ended: {keeper.gone}"))
    except LegtestError as error:
        last = refusal(0, error)
    except BaseException as error:  # noqa: BLE001 - the leg is off by now; nothing may be left unsaid
        writer.write(events_fd, traceback.format_exc().encode())
        last = refusal(0, LinkError(f"the keeper has failed: {type(error).__name__}: {error}"))
    for fd in (frames_fd, events_fd):
        writer.call(partial(_to_disk, fd))
    writer.end()
    if writer.problem:
        last = Refused(number, "RecordError", (f"the record of this bench is not whole: {writer.problem}",), False)
    with suppress(OSError, LegtestError):
        pipe.settimeout(LAST_WORD_S)
        pipe.send(messages.encode(last))
    pipe.close()
    os._exit(0)


def _to_disk(fd: int) -> None:
    with suppress(OSError):  # nothing to do about a file that cannot be (a pipe, a null device)
        os.fsync(fd)


def _opened(pipe: socket.socket, parent: int, writer: Writer, fds: tuple[int, int]) -> Keeper:
    """Take the first word, open the adapter, say so. Raises UsageError, LinkError."""
    pipe.settimeout(FIRST_WORD_S)
    try:
        opening = messages.decode(pipe.recv(messages.LONGEST + 1))
    except OSError as error:
        raise LinkError("the host said nothing") from error
    if not isinstance(opening, Open):
        raise LinkError("the host speaks otherwise than agreed: first of all it says what to open")
    _refuse_latched(opening)
    link, kept = open_link(opening)
    pipe.setblocking(False)
    keeper = Keeper(pipe, parent, opening, link, writer, fds)
    keeper.held = kept
    for caught in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(caught, partial(_told_to_end, keeper))
    pipe.send(messages.encode(Hello(monotonic_ns() - link.now_ns())))
    return keeper


def _refuse_latched(opening: Open) -> None:
    path = latch.path_for(identity_of(opening.interface, opening.channel))
    latched = latch.read(path)
    if latched is not None:
        reasons = "\n".join(f"  {reason}" for reason in latched.reasons)
        raise LinkError(
            f"this bench is latched since {latched.when or 'an unknown time'}: the monitor has stopped the leg:\n"
            f"{reasons}\nLook at leg and stand, find the cause, then clear it: legtest reset --bench FILE"
        )
    if not opening.rehearsal:
        latch.prepare(path)


def _told_to_end(keeper: Keeper, number: int, _: FrameType | None) -> None:
    keeper.end(f"the keeper was told to end ({signal.Signals(number).name})")
