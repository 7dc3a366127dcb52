"""A live run against a rehearsal: real time, python-can's serial line, a pseudo-terminal."""

from __future__ import annotations

import gc
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from rehearsing import LEG, ROOT, Served, bench_file, bench_of, opened, served

from legtest.bench import Bench
from legtest.description import read_leg
from legtest.description.setup import SetUp
from legtest.errors import BusBusy, NotPermitted, NotRun, UsageError
from legtest.keeper.hands import RehearsalHands
from legtest.live import PlayedHands
from legtest.procedures import homing
from legtest.simulation.rehearsal import Rehearsal


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("rehearsal")) as running:
        yield running


@pytest.fixture
def bench(rehearsal: Served) -> Iterator[Bench]:
    bench = opened(rehearsal.bench_file, rehearsal.signoff)
    yield bench
    bench.close()


def test_it_says_what_it_serves_and_how_to_use_it(rehearsal: Served) -> None:
    said = "".join(rehearsal.said)
    assert "tarn-fl" in said
    assert str(rehearsal.channel) in said
    assert f"--bench {rehearsal.bench_file} --live --signoff {rehearsal.signoff}" in said
    assert stat.S_ISCHR(rehearsal.channel.stat().st_mode)
    for private in (rehearsal.signoff, Path(f"{rehearsal.channel}.hands")):
        assert stat.S_IMODE(private.stat().st_mode) == 0o600


def test_precheck_and_a_motion_in_real_time(bench: Bench) -> None:
    with bench.energised():
        assert not gc.isenabled(), "nothing heavy while the leg is powered"
        before = np.array(bench.sample().joints_rad)
        goal = bench.demand_rad
        goal[-1] -= 0.15
        span = bench.move_to(goal, 0.5)
        after = np.array(bench.sample().joints_rad)
    assert gc.isenabled()
    assert [step.name for step in bench.prechecks[0].steps][:2] == ["set-up", "listening"]
    assert bench.prechecks[0].duration_ns > 2_000_000_000, "in real time this takes seconds"
    assert after[-1] - before[-1] == pytest.approx(-0.15, abs=0.03)
    assert abs(after - before)[:-1].max() < 0.03
    assert span.last - span.first > 150


def test_a_long_table_is_made_and_checked_without_leaving_the_leg_alone(bench: Bench) -> None:
    """Some minutes of set-points take longer to prepare than the monitor lets pass between two cycles."""
    with bench.energised():
        rows = np.tile(bench.demand_rad, (8_000, 1))
        before = bench.sample().t_ns
        bench.follow(rows, until=lambda sample: sample.t_ns > before + 300_000_000)


def test_the_simulated_person_arranges_the_leg(bench: Bench, rehearsal: Served) -> None:
    bench.arrange(SetUp.MASS)
    assert bench.setup is SetUp.MASS
    bench.arrange(SetUp.CLAMPED)
    with bench.energised(), pytest.raises(NotRun, match="nobody reaches into a powered leg"):
        PlayedHands(str(rehearsal.channel)).arrange(SetUp.FOOT_CLAMPED)


def test_requests_that_make_no_sense_are_refused_and_nothing_breaks(rehearsal: Served) -> None:
    hands = RehearsalHands(str(rehearsal.channel))
    for request in ({}, {"ask": "prove", "nonce": "00"}, {"ask": "arrange", "setup": "upside down", "mass_kg": 0.0}):
        assert hands.ask(request) != ""
    assert hands.ask({"ask": "arrange", "setup": "mass on foot", "mass_kg": float("nan")}) != ""
    hands.close()
    opened(rehearsal.bench_file, rehearsal.signoff).close()


def test_may_energise_is_asked(rehearsal: Served) -> None:
    bench = opened(rehearsal.bench_file, rehearsal.signoff, may_energise=lambda: "not in this phase")
    with pytest.raises(NotPermitted, match="not in this phase"), bench.energised():
        pass
    bench.close()


def test_one_host_at_a_time(bench: Bench, rehearsal: Served) -> None:
    with pytest.raises(BusBusy, match=r"in use by process \d+ \(python"):
        opened(rehearsal.bench_file, rehearsal.signoff)
    with bench.energised():
        pass  # and the first one has not noticed


def test_a_killed_host_leaves_the_bench_usable(rehearsal: Served) -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\nfrom pathlib import Path\n"
        f"from rehearsing import opened\nbench = opened(Path({str(rehearsal.bench_file)!r}), "
        f"Path({str(rehearsal.signoff)!r}))\nwith bench.energised():\n    print('on', flush=True)\n    bench.wait(60)\n"
    )
    host = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert host.stdout is not None
    assert host.stdout.readline() == "on\n"
    host.kill()
    host.communicate()
    bench = opened(rehearsal.bench_file, rehearsal.signoff)
    bench.rest(0.5)  # the drives notice by themselves that nobody is there
    bench.close()


@pytest.mark.slow
def test_homing_over_the_serial_line(bench: Bench) -> None:
    homing.ensure(bench)
    assert bench.homed
    (found,) = homing.run(bench, bench.leg.joints[-1], cycles=3)
    assert found.quantity == "homing_repeatability"
    assert 0.0 < found.value < 0.05


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_takes_away_what_it_put_down(number: int, tmp_path: Path) -> None:
    with served(tmp_path) as running:
        code, said = running.end(number)
    assert (code, said) == (0, "ended\n")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench.yaml", "wire0.log"]


def test_a_second_one_at_the_same_channel_is_refused(rehearsal: Served) -> None:
    command = [sys.executable, "-c", "from legtest.cli.main import main; main()", "rehearse", "--leg", str(LEG)]
    command += ["--bench", str(rehearsal.bench_file)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, timeout=30)
    assert done.returncode == 2
    assert "already" in done.stderr
    assert "Traceback" not in done.stderr
    assert rehearsal.channel.exists()


def test_a_killed_rehearsal_does_not_block_the_next(tmp_path: Path) -> None:
    with served(tmp_path) as running:
        running.end(signal.SIGKILL)
        assert running.channel.is_symlink()
    with served(tmp_path) as running:
        code, _ = running.end()
    assert code == 0


@pytest.mark.parametrize("name", ["adapter", "adapter.hands", "adapter.signoff.json"])
def test_nothing_that_is_not_its_own_is_removed(name: str, tmp_path: Path) -> None:
    (tmp_path / name).mkdir()
    with served(tmp_path) as running:
        said = "".join(running.said)
    assert running.process.returncode == 2
    assert f"{tmp_path / name} is in the way" in said
    assert (tmp_path / name).is_dir()


def test_a_bench_that_is_no_serial_adapter_is_refused(tmp_path: Path) -> None:
    for interface, channel, why in (("socketcan", "can0", "slcan"), ("slcan", "/dev/ttyUSB0", "outside /dev")):
        bench = bench_of(bench_file(tmp_path / "b.yaml", channel, interface))
        with pytest.raises(UsageError, match=why):
            Rehearsal(read_leg(LEG), bench, clock=lambda: 0, now=datetime(2031, 5, 6, tzinfo=UTC))
