"""What a live run refuses: a sign-off that does not hold, and a channel that is not proven to be a rehearsal's."""

from __future__ import annotations

import json
import os
import shutil
import socket
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rehearsing import LEG, Served, bench_file, bench_of, opened, served

import legtest.keeper.start
from legtest.description import read_leg
from legtest.errors import UsageError
from legtest.keeper.adapter import open_link, serial_number
from legtest.keeper.hands import RehearsalHands
from legtest.keeper.messages import Open
from legtest.keeper.start import BEAT_NS, start
from legtest.wiring import setup_of

NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("rehearsal")) as running:
        yield running


def signoff_for(bench: Path, path: Path, **changes: Any) -> Path:
    """A sign-off that holds for a bench file, but for the changes."""
    leg = read_leg(LEG)
    document = {
        "REHEARSAL": True,
        "by": "somebody",
        "bench_sha256": bench_of(bench).sha256,
        "leg_sha256": leg.sha256,
        "serials": {joint.name: joint.drive.serial or 0 for joint in leg.joints},
        "boot_id": Path("/proc/sys/kernel/random/boot_id").read_text().strip(),
        "made_at": NOW.isoformat(),
        "valid_until": (NOW + timedelta(hours=8)).isoformat(),
    }
    path.write_text(json.dumps(document | changes))
    path.chmod(0o600)
    return path


# ---------------------------------------------------------------- the sign-off
@pytest.fixture
def nothing_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    def opens(*_: object, **__: object) -> None:
        pytest.fail("something was opened")

    monkeypatch.setattr(legtest.keeper.start, "start", opens)


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"boot_id": "another"}, "the computer was started again"),
    ({"leg_sha256": "0" * 64}, "tarn-fl.yaml has changed"),
    ({"bench_sha256": "0" * 64}, "bench.yaml has changed"),
    ({"made_at": (NOW - timedelta(hours=8)).isoformat(), "valid_until": NOW.isoformat()}, "it holds from"),
    ({"made_at": (NOW + timedelta(seconds=1)).isoformat()}, "it holds from"),
    ({"valid_until": (NOW + timedelta(hours=8, seconds=1)).isoformat()}, "more than 8 hours"),
    ({"valid_until": "2031-05-06T07:08:09"}, "instant with its zone"),
    ({"valid_until": "tomorrow"}, "instant with its zone"),
    ({"serials": {"abduction": 1, "hip": 2, "knee": 3}}, "signed off with 1"),
    ({"serials": {"hip": 2}}, "a number for each of"),
    ({"serials": None}, "a serial number for each joint"),
    ({"by": 7}, "a name"),
    ({"REHEARSAL": "yes"}, "true or false"),
]


@pytest.mark.usefixtures("nothing_opened")
@pytest.mark.parametrize(
    ("changes", "why"), WRONG, ids=lambda value: ",".join(value) if isinstance(value, dict) else ""
)
def test_a_sign_off_that_does_not_hold(changes: dict[str, Any], why: str, tmp_path: Path) -> None:
    bench = bench_file(tmp_path / "bench.yaml", "/tmp/nowhere")
    with pytest.raises(UsageError, match=why) as caught:
        opened(bench, signoff_for(bench, tmp_path / "signoff.json", **changes), now=NOW)
    assert "signoff.json" in str(caught.value)


def _link(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))
    path.symlink_to(path.with_name("elsewhere"))


SPOILT: list[tuple[Callable[[Path], object], str]] = [
    (lambda path: path.unlink(), "No such file"),
    (lambda path: path.write_text("{"), "not JSON"),
    (lambda path: path.write_text("[" * 50_000), "not JSON"),
    (lambda path: path.write_bytes(b"\xff\xfe"), "not JSON"),
    (lambda path: path.write_text("[]"), "not a JSON object"),
    (lambda path: path.write_text(" " * 70_000), "small file"),
    (lambda path: path.chmod(0o620), "other users could have written"),
    (lambda path: path.chmod(0o602), "other users could have written"),
    (_link, "symbolic link"),
    (lambda path: (path.unlink(), os.mkfifo(path, 0o600)), "small file"),
    (lambda path: (path.unlink(), path.mkdir(mode=0o700)), "small file"),
]


@pytest.mark.usefixtures("nothing_opened")
@pytest.mark.parametrize(("spoil", "why"), SPOILT)
def test_a_sign_off_file_that_cannot_be_trusted(spoil: Callable[[Path], object], why: str, tmp_path: Path) -> None:
    bench = bench_file(tmp_path / "bench.yaml", "/tmp/nowhere")
    path = signoff_for(bench, tmp_path / "signoff.json")
    spoil(path)
    with pytest.raises(UsageError, match=why):
        opened(bench, path, now=NOW)


def test_the_same_sign_off_untouched_holds(tmp_path: Path) -> None:
    """Else the tests above would pass for any reason."""
    bench = bench_file(tmp_path / "bench.yaml", str(tmp_path / "nothing"))
    with pytest.raises(UsageError, match="nothing is served there"):
        opened(bench, signoff_for(bench, tmp_path / "signoff.json"), now=NOW)


# ---------------------------------------------------------------- the system
@pytest.mark.usefixtures("nothing_opened")
@pytest.mark.parametrize("missing", ["fcntl", "termios", "pty", "AF_UNIX", "linux"])
def test_other_systems_are_refused_before_anything_is_opened(
    missing: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    bench = bench_file(tmp_path / "bench.yaml", "/tmp/nowhere")
    if missing == "AF_UNIX":
        monkeypatch.delattr(socket, "AF_UNIX")
    elif missing == "linux":
        monkeypatch.setattr(sys, "platform", "darwin")
    else:
        monkeypatch.setitem(sys.modules, missing, None)
    with pytest.raises(UsageError, match="needs Linux"):
        opened(bench, tmp_path / "not even looked for", now=NOW)


# ---------------------------------------------------------------- the channel
@contextmanager
def terminal(answer: Callable[[bytes], bytes] = lambda heard: b"") -> Iterator[str]:
    """Another program's pseudo-terminal, which answers each thing it hears; its path."""
    master, slave = os.openpty()
    tty.setraw(slave)

    def serve() -> None:
        while (heard := os.read(master, 4096)) != b"end":
            os.write(master, answer(heard))

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        os.write(slave, b"end")
        thread.join()
        os.close(master)
        os.close(slave)


def refused(channel: str, tmp_path: Path, why: str) -> None:
    bench = bench_file(tmp_path / "copy.yaml", channel)
    with pytest.raises(UsageError, match=why) as caught:
        opened(bench, signoff_for(bench, tmp_path / "signoff.json"), now=NOW)
    assert "only a channel served by `legtest rehearse` is opened" in str(caught.value)


def test_a_bench_that_points_to_a_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A serial port is refused by its kind, before it is opened: opening alone can reset an adapter."""
    opening = os.open

    def no_device(path: Any, *arguments: Any, **more: Any) -> int:
        assert not str(path).startswith("/dev/"), f"{path} was opened"
        return opening(path, *arguments, **more)

    setup = setup_of(read_leg(LEG), bench_of(bench_file(tmp_path / "bench.yaml", "/tmp/nowhere")))
    (tmp_path / "plain").touch()
    monkeypatch.setattr(os, "open", no_device)
    for interface, channel, why in (
        ("slcan", "/dev/null", "not a pseudo-terminal"),
        ("slcan", str(tmp_path / "plain"), "not a pseudo-terminal"),
        ("socketcan", "can0", "a serial CAN adapter"),
    ):
        with pytest.raises(UsageError, match=why):
            open_link(Open(setup, interface, channel, 1_000_000, rehearsal=True, beat_ns=BEAT_NS))


def test_a_persons_sign_off_opens_no_pseudo_terminal(rehearsal: Served) -> None:
    """Neither by its own name nor through a link, and the rehearsal does not notice."""
    setup = setup_of(read_leg(LEG), bench_of(rehearsal.bench_file))
    for channel in (str(rehearsal.channel), str(rehearsal.channel.readlink())):
        with pytest.raises(UsageError, match="pseudo-terminal, and no adapter"):
            start(setup, "slcan", channel, 1_000_000, rehearsal=False, folder=None)


def test_another_terminal(tmp_path: Path) -> None:
    with terminal() as path:
        refused(path, tmp_path, "no rehearsal answers")


def test_another_terminal_beside_a_borrowed_socket(rehearsal: Served, tmp_path: Path) -> None:
    with terminal() as path:
        (tmp_path / "adapter").symlink_to(path)
        (tmp_path / "adapter.hands").symlink_to(f"{rehearsal.channel}.hands")
        refused(str(tmp_path / "adapter"), tmp_path, "the line does not answer")


def test_a_recorded_answer_beside_a_borrowed_socket(rehearsal: Served, tmp_path: Path) -> None:
    with terminal(lambda heard: b"N" + b"0123456789abcdef" * 2 + b"\r") as path:
        (tmp_path / "adapter").symlink_to(path)
        (tmp_path / "adapter.hands").symlink_to(f"{rehearsal.channel}.hands")
        refused(str(tmp_path / "adapter"), tmp_path, "not what answers on this line")


@pytest.mark.parametrize(
    ("says", "why"),
    [
        (b'{"done": true}\n', "not what answers on this line"),
        (b'{"refused": "busy"}\n', "will not prove itself: busy"),
        (b"yes\n", "the proof went wrong"),
        (b"[]\n", "not understood"),
        (b"", "it has ended"),
        (b"x" * 5000, "it has ended"),
    ],
)
def test_a_socket_that_lies(says: bytes, why: str, tmp_path: Path) -> None:
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(tmp_path / "adapter.hands"))
    server.listen()

    def serve() -> None:
        connection, _ = server.accept()
        with connection:
            connection.recv(4096)
            connection.sendall(says)

    thread = threading.Thread(target=serve)
    thread.start()
    with server, terminal(lambda heard: b"\r\rNSIM1\r") as path:
        (tmp_path / "adapter").symlink_to(path)
        refused(str(tmp_path / "adapter"), tmp_path, why)
        thread.join()


def test_the_proof_is_given_once(rehearsal: Served) -> None:
    hands = RehearsalHands(str(rehearsal.channel))
    nonce = "5a" * 16
    assert hands.ask({"ask": "prove", "nonce": nonce}) == ""
    fd = os.open(rehearsal.channel, os.O_RDWR | os.O_NOCTTY)
    assert serial_number(fd) == nonce.encode()
    assert serial_number(fd) == b"SIM1"
    os.close(fd)
    hands.close()


def test_a_copy_of_the_bench_needs_its_own_sign_off(rehearsal: Served, tmp_path: Path) -> None:
    copy = tmp_path / "copy.yaml"
    shutil.copy(rehearsal.bench_file, copy)
    copy.write_text(copy.read_text() + "\n# changed\n")
    with pytest.raises(UsageError, match=r"copy\.yaml has changed"):
        opened(copy, rehearsal.signoff)


def test_the_way_there_may_lead_over_links(rehearsal: Served, tmp_path: Path) -> None:
    """A link to the rehearsal is the rehearsal; what counts is what answers at its end."""
    (tmp_path / "adapter").symlink_to(rehearsal.channel)
    (tmp_path / "adapter.hands").symlink_to(f"{rehearsal.channel}.hands")
    bench = bench_file(tmp_path / "bench.yaml", str(tmp_path / "adapter"))
    opened(bench, signoff_for(bench, tmp_path / "signoff.json"), now=NOW).close()
