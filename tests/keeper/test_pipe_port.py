"""The host's end of the pipe in front of keepers that answer badly, late or not at all."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import pytest
from ending_host import monotonic_ns

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import Point, Reaction
from legtest.errors import BusLost, LegStopped, LegtestError, LinkError, NotPermitted, RecordError
from legtest.keeper import messages, port
from legtest.keeper.messages import Done, Refused, decode, encode
from legtest.keeper.port import PipePort
from legtest.keeper.start import Started
from legtest.safety.permit import Permit
from legtest.safety.port import TimingCounts
from legtest.safety.stretch import Stretch

KEY = Permit(bytes(16), "motion")
FRAMES = tuple(Frame(n, 0x181, b"x") for n in range(5))


class FakeKeeper:
    """The far end in a thread: `answer` gets every message but beats, and says what to send back."""

    def __init__(self, answer: Callable[[Any], list[Any]]) -> None:
        ours, self._theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        self._answer = answer
        self.heard: list[Any] = []
        self.beats = 0
        self.events: list[str] = []
        process = subprocess.Popen([sys.executable, "-c", "pass"])
        self.port = PipePort(Started(process, ours, monotonic_ns()), lambda: self.refusal, self.events.append)
        self.refusal = ""
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                packet = self._theirs.recv(1 << 18)
            except OSError:
                return
            if not packet:
                return
            message = decode(packet)
            if isinstance(message, messages.Beat):
                self.beats += 1
                continue
            self.heard.append(message)
            for reply in self._answer(message):
                self._theirs.send(reply if isinstance(reply, bytes) else encode(reply))

    def say(self, *said: messages.Message) -> None:
        for message in said:
            self._theirs.send(encode(message))

    def end(self) -> None:
        with suppress(OSError):  # it has ended before
            self._theirs.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._theirs.close()


def done(message: Any) -> list[Any]:
    if isinstance(message, messages.Rows):
        return []
    return [Done(message.number, TimingCounts((3,), 1, 2, 4) if getattr(message, "what", "") == "timing" else None)]


@pytest.fixture
def keepers() -> Iterator[list[FakeKeeper]]:
    made: list[FakeKeeper] = []
    yield made
    for keeper in made:
        keeper.end()
        with suppress(RecordError):  # it ended without being asked
            keeper.port.close()


def test_calls_and_their_answers(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(done)
    keepers.append(keeper)
    keeper.say(messages.Frames(0, FRAMES[:2]), messages.Event("noted"), Done(0, TimingCounts((1, 2), 0, 0, 0)))
    assert keeper.port.pump(keeper.port.now_ns() + 30_000_000) == list(FRAMES[:2])
    assert (keeper.port.frames_seen, keeper.events) == (2, ["noted"])
    keeper.port.energise(KEY)
    rows = tuple((Point(0.1 * n, 0.0, 1.0),) for n in range(3000))
    keeper.port.play(Stretch(("hip",), tuple(range(3000)), rows, 7), KEY)
    keeper.port.lower_and_off()
    assert keeper.port.timing() == TimingCounts((1, 2, 3), 1, 2, 4)
    keeper.port.stop(Reaction.OFF_NOW, "why")
    parts = [m for m in keeper.heard if isinstance(m, messages.Rows)]
    assert tuple(row for part in parts for row in part.rows) == rows
    played = next(m for m in keeper.heard if isinstance(m, messages.Play))
    assert played[1:] == (KEY, ("hip",), 3000, 7)
    assert keeper.beats >= 1
    keeper.port.close()
    assert keeper.heard[-1].what == "close"
    with pytest.raises(NotPermitted, match="closed"):
        keeper.port.pump(0)


def test_a_stop_is_told_once_and_its_frames_are_kept(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(done)
    keepers.append(keeper)
    keeper.say(messages.Frames(0, FRAMES), messages.Stopped("the leg was stopped: x"))
    with pytest.raises(LegStopped, match="x"):
        keeper.port.pump(keeper.port.now_ns() + 1_000_000_000)
    assert keeper.port.pump(keeper.port.now_ns()) == list(FRAMES)


def test_a_stop_comes_before_what_a_call_was_answered(keepers: list[FakeKeeper]) -> None:
    void = Refused(1, "NotPermitted", ("void",), False)
    keeper = FakeKeeper(lambda _: [messages.Stopped("the leg was stopped: x"), void])
    keepers.append(keeper)
    with pytest.raises(LegStopped, match="x"):
        keeper.port.energise(KEY)


def test_refusals_are_raised(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(lambda m: [Refused(m.number, "NotPermitted", ("no permit",), False)])
    keepers.append(keeper)
    with pytest.raises(NotPermitted, match="no permit"):
        keeper.port.set_home({"hip": 0.0}, KEY)
    keeper.refusal = "not in this phase"
    heard = len(keeper.heard)
    for call in (keeper.port.precheck, lambda: keeper.port.energise(KEY), lambda: keeper.port.set_home({}, KEY)):
        with pytest.raises(NotPermitted, match="not in this phase"):
            call()
    assert len(keeper.heard) == heard


CALLS: dict[str, Callable[[PipePort], object]] = {
    "precheck": lambda port: port.precheck(),
    "scan": lambda port: port.scan(),
    "energise": lambda port: port.energise(KEY),
    "play": lambda port: port.play(Stretch(("hip",), (0,), ((Point(0.0, 0.0, 1.0),),)), KEY),
    "pump": lambda port: port.pump(port.now_ns() + 10_000_000_000),
    "lower": lambda port: port.lower_and_off(),
    "home": lambda port: port.set_home({}, KEY),
    "timing": lambda port: port.timing(),
}


@pytest.mark.parametrize("call", CALLS)
def test_every_call_says_at_once_that_the_keeper_has_ended(call: str, keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(lambda _: [])
    keepers.append(keeper)
    keeper.end()
    begun = monotonic_ns()
    for _ in range(2):
        with pytest.raises(BusLost, match="the keeper has ended"):
            CALLS[call](keeper.port)
    keeper.port.stop(Reaction.OFF_NOW, "never raises")
    assert monotonic_ns() - begun < 5_000_000_000  # at once, on a machine that does other work as well
    with pytest.raises(RecordError, match="before its part of the record was closed"):
        keeper.port.close()


def test_its_last_words_are_what_is_told(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(done)
    keepers.append(keeper)
    keeper.say(Refused(0, "BusLost", ("receiving failed: the adapter is gone",), False))
    with pytest.raises(BusLost, match="the adapter is gone"):
        keeper.port.pump(keeper.port.now_ns() + 1_000_000_000)


@pytest.mark.parametrize("nonsense", [b"", b"\xff", encode(messages.Beat(1)), encode(Done(1, ()))])
def test_a_keeper_that_speaks_otherwise(nonsense: bytes, keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(lambda _: [nonsense])
    keepers.append(keeper)
    with pytest.raises(LinkError):
        keeper.port.timing()


def test_a_keeper_that_does_not_answer(keepers: list[FakeKeeper], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port, "QUIET_NS", 50_000_000)
    keeper = FakeKeeper(lambda _: [])
    keepers.append(keeper)
    with pytest.raises(BusLost, match="does not answer"):
        keeper.port.timing()


def test_a_record_that_is_not_whole_is_said_at_the_end() -> None:
    keeper = FakeKeeper(lambda m: [Refused(m.number, "RecordError", ("No space left",), False)])
    with pytest.raises(RecordError, match="No space left"):
        keeper.port.close()
    keeper.port.close()
    keeper.end()


def test_another_thread_is_refused_and_does_not_beat(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(done)
    keepers.append(keeper)
    found: list[LegtestError] = []

    def use() -> None:
        for call in CALLS.values():
            try:
                call(keeper.port)
            except LegtestError as error:
                found.append(error)
        keeper.port.stop(Reaction.OFF_NOW, "not from here")

    thread = threading.Thread(target=use)
    thread.start()
    thread.join()
    assert [type(error) for error in found] == [NotPermitted] * len(CALLS)
    assert (keeper.beats, keeper.heard) == (0, [])


def test_a_forked_copy_is_refused(keepers: list[FakeKeeper]) -> None:
    keeper = FakeKeeper(done)
    keepers.append(keeper)
    pid = os.fork()
    if pid == 0:
        refused = 0
        for call in CALLS.values():
            try:
                call(keeper.port)
            except NotPermitted:
                refused += 1
            except BaseException:  # noqa: BLE001
                os._exit(99)
        keeper.port.stop(Reaction.OFF_NOW, "not from here")
        keeper.port.close()
        os._exit(refused)
    _, status = os.waitpid(pid, 0)
    assert os.waitstatus_to_exitcode(status) == len(CALLS)
    assert (keeper.beats, keeper.heard) == (0, [])
