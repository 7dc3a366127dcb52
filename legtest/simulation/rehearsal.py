"""A rehearsal: the simulated leg in real time behind a serial CAN adapter, with the person of the hand steps.

Three things appear beside each other: the channel (a link to a pseudo-terminal), `<channel>.hands` (a socket on which
a host asks for hand steps and for the proof that this is a rehearsal), and the sign-off that a live run asks for.

Each request is one line of JSON and gets one: {"ask": "prove", "nonce": HEX} makes the adapter give the nonce for its
serial number, once; {"ask": "arrange", "setup": NAME, "mass_kg": M} arranges leg and stand. The answer is
{"done": true} or {"refused": WHY}.
"""

from __future__ import annotations

import json
import os
import socket
import stat
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from math import isfinite
from pathlib import Path

from legtest.description.model import BenchDescription, LegDescription
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.simulation.faults import FaultCase
from legtest.simulation.rig import Rig, build_rig
from legtest.simulation.serial_adapter import SerialAdapter
from legtest.simulation.serial_line import BIT_RATES
from legtest.simulation.wirelog import WireLog

VALID = timedelta(hours=8)
_LONGEST_REQUEST = 1024
_MOST_CLIENTS = 8


class Rehearsal:
    """One leg served at the channel of a bench. Use as a context manager: it takes away what it put down.

    clock: monotonic nanoseconds. now: the time of day, with its zone, for the sign-off. log: a new file for everything
    that happens on the wire, and the truth behind it (legtest.simulation.wirelog).
    Raises UsageError where the bench is not made for it, or something else stands at the channel.
    """

    def __init__(
        self,
        leg: LegDescription,
        bench: BenchDescription,
        *,
        clock: Callable[[], int],
        now: datetime,
        seed: int = 0,
        faults: Sequence[FaultCase] = (),
        log: str | Path | None = None,
    ) -> None:
        _check(bench)
        self.channel = Path(bench.channel)
        self.hands = Path(f"{bench.channel}.hands")
        self.signoff = Path(f"{bench.channel}.signoff.json")
        # A stopped rehearsal is latched like a bench; the next one serves another leg.
        self._latches = (Path(f"{bench.channel}.latch.json"), Path(f"{bench.channel}.latch.cleared.jsonl"))
        _clear(self.channel, self.hands, self.signoff, *self._latches)
        self.rig = build_rig(leg, bench, seed=seed, faults=faults)
        self.rig.link.close()  # the host is on the other side of the terminal; nobody would empty the link's list
        self._log = WireLog(self.rig, log) if log is not None else None
        self._adapter = SerialAdapter(self.rig.bus, clock, self._log.frame if self._log else None)
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._waits: dict[int, Callable[[], None]] = {self._server.fileno(): self._accept}
        self._clients: list[_Client] = []
        try:
            self._put_down(leg, bench, now)
        except OSError as error:
            self.close()
            raise UsageError(f"{bench.path}: bus.channel: {self.channel}: {error.strerror or error}") from error

    def _put_down(self, leg: LegDescription, bench: BenchDescription, now: datetime) -> None:
        self._server.bind(str(self.hands))
        self.hands.chmod(0o600)
        self._server.listen(_MOST_CLIENTS)
        self._server.setblocking(False)
        self.channel.symlink_to(self._adapter.path)
        text = json.dumps(_signoff(leg, bench, now), indent=2) + "\n"
        fd = os.open(self.signoff, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
        with os.fdopen(fd, "w", encoding="utf-8") as file:
            file.write(text)

    def serve(self, stop: Callable[[], bool]) -> None:
        """Let the leg live in real time until `stop()` says so (asked every 20 ms or oftener)."""
        log = self._log

        def asked() -> bool:
            if log is not None:
                log.flush(self._adapter.epoch_ns)
            return stop()

        self._adapter.serve(asked, self._waits)

    def _accept(self) -> None:
        with suppress(OSError):
            connection, _ = self._server.accept()
            if len(self._clients) >= _MOST_CLIENTS:
                connection.close()
                return
            client = _Client(connection, self.rig, self._adapter)
            self._clients.append(client)
            self._waits[connection.fileno()] = lambda: self._hear(client)
            self._adapter.forget_dead_host()

    def _hear(self, client: _Client) -> None:
        if not client.hear():
            del self._waits[client.connection.fileno()]
            self._clients.remove(client)
            client.connection.close()

    def close(self) -> None:
        """Take everything away; harmless when repeated."""
        for client in self._clients:
            client.connection.close()
        self._clients.clear()
        self._server.close()
        with suppress(OSError):
            if str(self.channel.readlink()) == self._adapter.path:  # else somebody else's by now
                for path in (self.channel, self.hands, self.signoff, *self._latches):
                    path.unlink(missing_ok=True)
        self._adapter.close()
        if self._log is not None:
            self._log.close()

    def __enter__(self) -> Rehearsal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class _Client:
    """One host on the socket."""

    def __init__(self, connection: socket.socket, rig: Rig, adapter: SerialAdapter) -> None:
        connection.setblocking(False)
        self.connection, self._rig, self._adapter = connection, rig, adapter
        self._heard = b""

    def hear(self) -> bool:
        """Read and answer; False when the host has left, or speaks otherwise than agreed."""
        try:
            data = self.connection.recv(_LONGEST_REQUEST)
            *lines, self._heard = (self._heard + data).split(b"\n")
            for line in lines:
                self.connection.sendall(json.dumps(self._answer(line)).encode() + b"\n")
        except OSError:
            return False
        return bool(data) and len(self._heard) <= _LONGEST_REQUEST

    def _answer(self, line: bytes) -> dict[str, object]:
        try:
            match json.loads(line):
                case {"ask": "prove", "nonce": str(nonce)} if len(bytes.fromhex(nonce)) == 16:
                    self._adapter.answer_once(nonce.encode())
                case {"ask": "arrange", "setup": str(name), "mass_kg": int(mass) | float(mass)} if isfinite(mass):
                    self._rig.person.arrange(SetUp(name), float(mass))
                case _:
                    return {"refused": "not a request that is known here"}
        except (ValueError, RecursionError, UsageError) as error:
            return {"refused": str(error)}
        return {"done": True}


def _signoff(leg: LegDescription, bench: BenchDescription, now: datetime) -> dict[str, object]:
    return {
        "REHEARSAL": True,
        "by": "simulated person",
        "bench_sha256": bench.sha256,
        "leg_sha256": leg.sha256,
        "serials": {joint.name: joint.drive.serial or 0 for joint in leg.joints},
        "boot_id": Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip(),
        "made_at": now.isoformat(timespec="seconds"),
        "valid_until": (now + VALID).isoformat(timespec="seconds"),
    }


def _check(bench: BenchDescription) -> None:
    where = f"{bench.path}: bus"
    if bench.interface != "slcan":
        raise UsageError(f"{where}.interface: a rehearsal is served as a serial CAN adapter: write slcan")
    if not bench.channel.startswith("/") or bench.channel.startswith("/dev/"):
        raise UsageError(
            f"{where}.channel: '{bench.channel}' must be a full path outside /dev, like /tmp/legtest-rehearsal"
        )
    if bench.bit_rate not in BIT_RATES.values():
        rates = ", ".join(f"{rate // 1000}" for rate in BIT_RATES.values())
        raise UsageError(f"{where}.bit_rate: serial CAN adapters know {rates} kbit/s, not {bench.bit_rate / 1000:g}")


def _clear(channel: Path, hands: Path, *files: Path) -> None:
    """Remove what a rehearsal that was killed left behind, and nothing else."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(hands))
        except OSError:
            pass
        else:
            raise UsageError(f"a rehearsal is being served at {channel} already: end it first, or take another channel")
    for path, kind, what in (
        (channel, stat.S_ISLNK, "link"),
        (hands, stat.S_ISSOCK, "socket"),
        *((path, stat.S_ISREG, "file") for path in files),
    ):
        try:
            found = path.lstat()
            if not kind(found.st_mode) or found.st_uid != os.geteuid():
                raise UsageError(f"{path} is in the way: it is not a {what} that a rehearsal of this user has left")
            path.unlink()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise UsageError(f"{path} is in the way: {error.strerror}") from error
