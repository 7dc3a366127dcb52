"""Starting a keeper: an isolated interpreter that finds this library and python-can, and nothing else."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple, NoReturn

from legtest.errors import BusLost, LegtestError, LinkError, UsageError
from legtest.keeper import messages
from legtest.keeper.errors import error_of
from legtest.keeper.messages import Hello, Open, Refused
from legtest.safety.setup import Setup

HELLO_S = 20.0
BEAT_NS = 100_000_000  # longest silence of the host while the leg is powered
_CODE = (
    "import sys; numbers, folders = sys.argv[1:5], sys.argv[5:]; sys.path += folders; "
    "from legtest.keeper.main import main; main(*map(int, numbers))"
)
_KEPT_ENVIRONMENT = ("PATH", "LD_LIBRARY_PATH", "TZ")  # nothing in it says what is opened


class Started(NamedTuple):
    """A keeper that has opened its adapter. opened_ns: when its link began, on the monotonic clock."""

    process: subprocess.Popen[bytes]
    pipe: socket.socket
    opened_ns: int


def start(
    setup: Setup, interface: str, channel: str, bit_rate: int, *, rehearsal: bool, folder: Path | None,
    beat_ns: int = BEAT_NS,
) -> Started:  # fmt: skip
    """Start a keeper on an adapter.

    folder: of the record; frames.log there is written on, monitor.jsonl is made; None keeps no record.
    Raises UsageError, LinkError.
    """
    first = messages.encode(Open(setup, interface, channel, bit_rate, rehearsal, beat_ns))
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    frames, events = _open(folder, "frames.log"), _open(folder, "monitor.jsonl")
    given = (theirs.fileno(), frames, events)
    command = [sys.executable, "-I", "-S", "-c", _CODE, *map(str, (*given, os.getpid())), *folders()]
    environment = {name: os.environ[name] for name in _KEPT_ENVIRONMENT if name in os.environ}
    try:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, pass_fds=given, env=environment, start_new_session=True,
        )  # fmt: skip
    except OSError as error:
        ours.close()
        raise LinkError(f"the keeper cannot be started: {error}") from error
    finally:
        theirs.close()
        for fd in given[1:]:
            os.close(fd)
    return _greeted(process, ours, first)


def folders() -> list[str]:
    """Where this library and python-can, with what it needs for serial lines, are found; each once.

    Raises UsageError when python-can is missing.
    """
    found: dict[str, None] = {}
    for name in ("legtest", "can", "serial"):
        spec = find_spec(name)
        if spec is not None and spec.submodule_search_locations:
            found[str(Path(next(iter(spec.submodule_search_locations))).parent)] = None
        elif name == "can":
            raise UsageError("a live bench needs python-can: pip install 'legtest[live]'")
    return list(found)


def _open(folder: Path | None, name: str) -> int:
    path = Path(os.devnull) if folder is None else folder / name
    try:
        return os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise UsageError(f"{path}: the record cannot be written: {error.strerror}") from error


def _greeted(process: subprocess.Popen[bytes], pipe: socket.socket, first: bytes) -> Started:
    """Say what to open and wait until it is. Raises what the keeper says, or LinkError."""
    try:
        pipe.settimeout(HELLO_S)
        pipe.send(first)
        packet = pipe.recv(messages.LONGEST)
        answer = messages.decode(packet) if packet else None
    except (OSError, LinkError) as error:
        _give_up(process, pipe, LinkError(f"the keeper does not speak as agreed: {error}"))
    if isinstance(answer, Refused):
        _give_up(process, pipe, error_of(answer))
    if not isinstance(answer, Hello):
        _give_up(process, pipe, BusLost("the keeper has ended before the adapter was open"))
    pipe.setblocking(False)
    return Started(process, pipe, answer.opened_ns)


def _give_up(process: subprocess.Popen[bytes], pipe: socket.socket, error: LegtestError) -> NoReturn:
    pipe.close()
    try:
        process.wait(5.0)
    except subprocess.TimeoutExpired:
        process.kill()
    raise error
