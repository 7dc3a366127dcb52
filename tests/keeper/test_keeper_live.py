"""The keeper in front of a rehearsal: bad words, a full disk, an adapter that dies, a latch, and who may have it."""

from __future__ import annotations

import json
import os
import resource
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

import pytest
import wire_truth as wire
from ending_host import monotonic_ns
from killing import TRIES, await_end, keeper_of, kill
from rehearsing import HOPPER, Served, bench_file, bench_of, opened, served

from legtest.bench import Bench
from legtest.description import read_leg
from legtest.errors import BusBusy, LegStopped, LegtestError, LinkError, PrecheckRefused, RecordError
from legtest.keeper import latch
from legtest.keeper.port import PipePort
from legtest.keeper.start import folders, start
from legtest.wiring import setup_of

RATE = 100


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("rehearsal"), RATE, HOPPER) as running:
        yield running


def bench_on(rehearsal: Served, folder: Path | None = None, events: list[str] | None = None) -> Bench:
    return opened(rehearsal.bench_file, rehearsal.signoff, events, leg=HOPPER, folder=folder)


def ready(rehearsal: Served, folder: Path | None = None, events: list[str] | None = None) -> Bench:
    """A bench that has passed its pre-check; on a busy machine a frame can be late enough for a refusal."""
    for _ in range(TRIES):
        bench = bench_on(rehearsal, folder, events)
        try:
            bench.precheck()
        except PrecheckRefused as error:
            close(bench)
            if not any(late in str(error) for late in ("deadline", "telemetry age", "answered for another")):
                raise
            latch.path_for(f"rehearsal:{rehearsal.channel}").unlink(missing_ok=True)
        else:
            return bench
    raise AssertionError(f"no pre-check passed in {TRIES} attempts")


def pipe_of(bench: Bench) -> PipePort:
    port = bench._port._port
    assert isinstance(port, PipePort)
    return port


def close(bench: Bench) -> None:
    """Close what the test has broken."""
    with suppress(RecordError):
        bench.close()


def ended(rehearsal: Served, since_ns: int) -> float:
    """Seconds from an instant until no axis had torque."""
    log = wire.read(rehearsal.wire_log)
    return (log.last_power_ns(log.at(since_ns), 1 << 62) - log.at(since_ns)) * 1e-9


def test_it_finds_this_library_and_python_can_and_nothing_of_the_environment(
    rehearsal: Served, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "can.py").write_text("raise SystemExit('the wrong can')")
    (tmp_path / "sitecustomize.py").write_text("raise SystemExit('started')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("CAN_INTERFACE", "virtual")
    bench = bench_on(rehearsal)
    pid = pipe_of(bench)._process.pid
    command = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    environment = Path(f"/proc/{pid}/environ").read_bytes()
    assert command[1:3] == [b"-I", b"-S"]
    assert [part.decode() for part in command[9:-1]] == folders()
    assert len(folders()) <= 2
    assert b"PYTHON" not in environment
    assert b"CAN_" not in environment
    assert os.getsid(pid) == pid
    bench.close()


def test_signals_of_a_terminal_do_not_reach_it_and_it_ends_with_its_host(rehearsal: Served) -> None:
    bench = bench_on(rehearsal)
    pid = pipe_of(bench)._process.pid
    for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGTSTP, signal.SIGPIPE, signal.SIGUSR1):
        kill(pid, number)
    bench.rest(0.2)
    bench.close()
    bench = bench_on(rehearsal)
    pipe = pipe_of(bench)
    kill(pipe._process.pid, signal.SIGHUP)
    with pytest.raises(LinkError, match="told to end"):
        bench.rest(5.0)
    bench.close()


def test_a_bad_message_ends_it(rehearsal: Served) -> None:
    for words in (b"\xff", b"\x01{", b"\x05", b'\x02[0,"timing"]', b'\x00{"a": 1}', bytes(200_000)):
        bench = bench_on(rehearsal)
        pipe_of(bench)._pipe.send(words)
        with pytest.raises(LinkError, match="otherwise than agreed"):
            bench.rest(5.0)
        bench.close()


def test_a_forked_child_that_keeps_the_pipe_does_not_keep_the_leg(rehearsal: Served, tmp_path: Path) -> None:
    """The host ends, its child lives on with everything it inherited: the keeper lets go all the same."""
    code = (
        "import os, signal, sys, threading\nfrom pathlib import Path\nsys.path.insert(0, sys.argv[1])\n"
        "from rehearsing import HOPPER, opened\nbench = opened(Path(sys.argv[2]), Path(sys.argv[3]), leg=HOPPER)\n"
        "print(bench._port._port._process.pid, flush=True)\nsys.stdin.readline()\n"
        "if os.fork() == 0:\n    threading.Event().wait(3.0)\nos._exit(0)\n"
    )
    where = [str(Path(__file__).parents[1] / "live"), str(rehearsal.bench_file), str(rehearsal.signoff)]
    with subprocess.Popen(
        [sys.executable, "-c", code, *where], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as host:
        assert host.stdout is not None
        keeper = int(host.stdout.readline())
        assert keeper_of(host.pid) == keeper
        host.communicate("go\n")
        assert await_end(keeper, 2.0), "it still holds the adapter"


def test_two_hosts_and_one_adapter_without_a_file(tmp_path: Path) -> None:
    """An adapter that is no serial device has a lock of its own; no drive answers on this one."""
    setup = setup_of(read_leg(HOPPER), bench_of(bench_file(tmp_path / "bench.yaml", "/tmp/nowhere")))
    name = f"test-{os.getpid()}"
    first = start(setup, "virtual", name, 1_000_000, rehearsal=False, folder=None)
    with pytest.raises(BusBusy, match="another run"):
        start(setup, "virtual", name, 1_000_000, rehearsal=False, folder=None)
    port = PipePort(first, lambda: "", lambda _: None)
    with pytest.raises(PrecheckRefused, match="did not answer"):
        port.precheck()
    port.close()
    PipePort(
        start(setup, "virtual", name, 1_000_000, rehearsal=False, folder=None), lambda: "", lambda _: None
    ).close()


def test_a_latched_bench_is_not_opened(rehearsal: Served) -> None:
    path = latch.path_for(f"rehearsal:{rehearsal.channel}")
    latch.set(path, f"rehearsal:{rehearsal.channel}", ("speed, hip: 9 rad/s",), "2031-05-06T07:08:09+00:00")
    with pytest.raises(LinkError, match=r"latched since 2031(.|\n)*speed, hip: 9 rad/s(.|\n)*legtest reset"):
        bench_on(rehearsal)
    latch.clear(path, "a person", "2031-05-06T08:00:00+00:00")
    bench_on(rehearsal).close()


# ---------------------------------------------------------------- with power
@pytest.mark.slow
def test_a_bad_message_while_energised_stops_the_leg(rehearsal: Served) -> None:
    bench = ready(rehearsal)
    with pytest.raises(LegtestError), bench.energised():  # noqa: PT012 - it must end inside the block
        bench.wait(0.2)
        sent = monotonic_ns()
        pipe_of(bench)._pipe.send(b"\xff")
        bench.wait(5.0)
    close(bench)
    assert 0.0 < ended(rehearsal, sent) < 0.040
    assert latch.read(latch.path_for(f"rehearsal:{rehearsal.channel}")) is None, "it says nothing of the leg"


@pytest.mark.slow
def test_a_full_disk_lowers_the_leg_and_the_record_says_so(rehearsal: Served, tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (220_000, hard))  # the frame log is full soon after the pre-check
    events: list[str] = []
    try:
        bench = ready(rehearsal, tmp_path, events)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    with pytest.raises(LegStopped, match="record"), bench.energised():  # noqa: PT012
        begun = monotonic_ns()
        bench.wait(60.0)
    assert any(event.startswith("lower then off: record") for event in events), events
    with pytest.raises(RecordError, match="File too large"):
        bench.close()
    assert 0.5 < ended(rehearsal, begun) < 40.0
    assert (tmp_path / "frames.log").stat().st_size <= 220_000
    assert latch.read(latch.path_for(f"rehearsal:{rehearsal.channel}")) is None


@pytest.mark.slow
def test_an_adapter_that_hangs_is_noticed_latched_and_nobody_waits_for_ever(tmp_path: Path) -> None:
    with served(tmp_path, RATE, HOPPER) as rehearsal:
        (tmp_path / "part").mkdir()
        bench = ready(rehearsal, tmp_path / "part")
        with pytest.raises((LegStopped, LinkError)), bench.energised():  # noqa: PT012
            bench.wait(0.2)
            frozen = monotonic_ns()
            kill(rehearsal.process.pid, signal.SIGSTOP)
            bench.wait(20.0)
        took = (monotonic_ns() - frozen) * 1e-9
        kill(rehearsal.process.pid, signal.SIGCONT)
        close(bench)
        assert took < 15.0, 'it asks each drive some times before it gives up'
        latched = latch.read(latch.path_for(f"rehearsal:{rehearsal.channel}"))
        assert latched is not None
        assert "telemetry age" in latched.reasons[0] or "adapter" in latched.reasons[0]
        lines = (tmp_path / "part" / "monitor.jsonl").read_text().splitlines()
        assert latched.reasons[0] in json.loads(lines[-1])[2] or any(latched.reasons[0] in line for line in lines)
        select.select([], [], [], 0.3)
        last = wire.read(rehearsal.wire_log).truth[-2:]
        assert not any(sample.energised for sample in last), "its drives have stopped by themselves"


@pytest.mark.slow
def test_an_adapter_that_is_gone(tmp_path: Path) -> None:
    with served(tmp_path, RATE, HOPPER) as rehearsal:
        bench = ready(rehearsal)
        with pytest.raises((LegStopped, LinkError)), bench.energised():  # noqa: PT012
            bench.wait(0.2)
            gone = monotonic_ns()
            kill(rehearsal.process.pid)
            bench.wait(20.0)
        assert (monotonic_ns() - gone) * 1e-9 < 15.0
        with pytest.raises(LegtestError):
            bench.rest(5.0)
        close(bench)
        assert await_end(pipe_of(bench)._process.pid, 5.0)
