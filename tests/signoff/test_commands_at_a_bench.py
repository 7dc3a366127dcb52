"""`legtest ready`, `signoff` and `reset`, as typed."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from walking import LEG, ROOT, Bench

import legtest.cli.signoff
import legtest.cli.terminal
import legtest.live
from legtest.cli.main import main
from legtest.cli.terminal import TerminalPerson
from legtest.description import read_bench
from legtest.description.grade import Grade
from legtest.errors import LinkError, UsageError
from legtest.keeper import latch
from legtest.signoff import read_signoff
from legtest.signoff.walk import Task

BENCHES = ROOT / "fixtures/benches"
STREAMS = BENCHES / "streams.yaml"


def legtest_(*arguments: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(each) for each in arguments], input=typed)


def ready(bench: Path, *more: object) -> Result:
    return legtest_("ready", "--leg", LEG.path, "--bench", bench, *more)


@pytest.fixture(autouse=True)
def own_latches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test looks at, or leaves, a latch of the user's own."""
    path = tmp_path / "latches" / "latch.json"
    monkeypatch.setattr(latch, "path_for", lambda identity: path)
    return path


@pytest.fixture
def at_the_bench(monkeypatch: pytest.MonkeyPatch) -> list[Bench]:
    """A live bench opens onto a simulated leg, and a person sits at the terminal."""
    opened: list[Bench] = []

    def open_unpowered(*_: object, **__: object) -> Any:
        opened.append(Bench())
        return opened[-1].port

    monkeypatch.setattr(legtest.live, "open_unpowered", open_unpowered, raising=False)
    monkeypatch.setattr(legtest.cli.terminal, "require_terminal", lambda command: None)
    monkeypatch.setattr(legtest.cli.terminal, "TerminalPerson", lambda: opened[-1].person)
    return opened


# ---------------------------------------------------------------- ready
def test_ready_of_a_simulated_bench() -> None:
    done = ready(BENCHES / "simulated.yaml", "--listen", "0.2")
    assert done.exit_code == 0
    assert "identity: serials abduction 4101, hip 4102, knee 4103" in done.output
    assert "streams-simulated: ready for listen (as a live bench)" in done.output
    assert "not unpowered: bus.interface: simulated" in done.output


def test_ready_from_the_files_alone() -> None:
    done = ready(STREAMS, "--json")
    found = json.loads(done.output)
    assert (done.exit_code, found["grade"], found["enough"], found["simulated"]) == (0, "listen", True, False)
    assert found["step"] == "Scan the unpowered leg: the same command with --listen 1"
    assert [refusal["grade"] for refusal in found["refusals"]] == ["unpowered", "torque-capped"] + ["free-motion"] * 4
    assert found["refusals"][0]["effort"] == "command"


@pytest.mark.parametrize(("need", "code"), [("listen", 0), ("unpowered", 1), ("torque-capped", 1), ("free-motion", 1)])
def test_ready_needs(need: str, code: int) -> None:
    assert ready(STREAMS, "--need", need).exit_code == code


def test_ready_with_a_sign_off_walked_a_moment_ago(at_the_bench: list[Bench], tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    done = legtest_("signoff", "--leg", LEG.path, "--bench", STREAMS, "-o", path)
    assert done.exit_code == 0, done.output
    assert "signed off for free-motion until" in done.output
    assert "no safety function" in done.output
    done = ready(STREAMS, "--signoff", path, "--listen", "0.2", "--need", "torque-capped")
    assert done.exit_code == 0, done.output
    assert "streams: ready for torque-capped" in done.output
    assert "cheapest step further: Take a stronger clamp" in done.output
    assert not any(axis.powered for bench in at_the_bench for axis in bench.rig.axes)
    fenced = ready(BENCHES / "streams-fenced.yaml", "--signoff", path)
    assert fenced.exit_code == 0
    assert "not torque-capped: sign-off: " in fenced.output
    assert "has changed since" in fenced.output


def test_ready_says_what_a_bus_says(monkeypatch: pytest.MonkeyPatch) -> None:
    def unplugged(*_: object, **__: object) -> Any:
        raise LinkError("can0: no such device")

    monkeypatch.setattr(legtest.live, "open_unpowered", unplugged, raising=False)
    done = ready(STREAMS, "--listen", "1", "--need", "unpowered")
    assert done.exit_code == 1
    assert "not unpowered: scan: can0: no such device" in done.output


def test_ready_names_a_stop_that_stands(own_latches: Path) -> None:
    latch.set(own_latches, "socketcan:can0", ("torque: hip 19.0 N*m",), "2031-05-06T07:08:09+00:00")
    found = json.loads(ready(STREAMS, "--json").output)
    stop = next(refusal for refusal in found["refusals"] if refusal["subject"] == "latched stop")
    assert "torque: hip 19.0 N*m" in stop["found"]
    assert f"legtest reset --bench {STREAMS}" in stop["way_out"]


def test_ready_with_a_broken_file(tmp_path: Path) -> None:
    text = STREAMS.read_text().replace("  fence: {", "  fenc: {").replace("../stands", str(ROOT / "fixtures/stands"))
    path = tmp_path / "bench.yaml"
    path.write_text(text)
    done = ready(path)
    assert done.exit_code == 1
    assert f"{path}:15:3: protection.fenc: unknown key; did you mean 'fence'?" in done.output
    assert "protection.fence: this key is missing" in done.output


# ---------------------------------------------------------------- signoff
def test_nobody_signs_off_without_a_terminal(tmp_path: Path) -> None:
    done = legtest_("signoff", "--leg", LEG.path, "--bench", STREAMS, "-o", tmp_path / "s.json", typed="yes\n" * 20)
    assert done.exit_code == 2
    assert "walked by a person at a terminal" in done.output
    assert not (tmp_path / "s.json").exists()


@pytest.mark.parametrize(
    ("bench", "why"),
    [
        ("simulated", "nothing of a simulated bench needs a person"),
        ("rehearsal", "nobody can take hold of a rehearsed leg"),
    ],
)
def test_a_simulated_leg_is_not_signed_off(at_the_bench: list[Bench], tmp_path: Path, bench: str, why: str) -> None:
    done = legtest_("signoff", "--leg", LEG.path, "--bench", BENCHES / f"{bench}.yaml", "-o", tmp_path / "s.json")
    assert done.exit_code == 2
    assert why in done.output
    assert at_the_bench == []


def test_a_sign_off_is_not_written_over(at_the_bench: list[Bench], tmp_path: Path) -> None:
    path = tmp_path / "s.json"
    path.write_text("{}")
    done = legtest_("signoff", "--leg", LEG.path, "--bench", STREAMS, "-o", path)
    assert done.exit_code == 2
    assert at_the_bench == []


def test_a_person_who_says_no_leaves_no_file(
    at_the_bench: list[Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refusing() -> Any:
        at_the_bench[-1].person._answers["Nobody else"] = "no"  # type: ignore[attr-defined]
        return at_the_bench[-1].person

    monkeypatch.setattr(legtest.cli.terminal, "TerminalPerson", refusing)
    done = legtest_("signoff", "--leg", LEG.path, "--bench", STREAMS, "-o", tmp_path / "s.json")
    assert done.exit_code == 1
    assert "pre-check refused at 'Nobody else" in done.output
    assert not (tmp_path / "s.json").exists()


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The far end of the terminal that stands in for standard input."""
    far, near = os.openpty()
    with os.fdopen(near, encoding="utf-8", buffering=1) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield far
    os.close(far)


def test_a_person_at_a_terminal(keyboard: int, capsys: pytest.CaptureFixture[str]) -> None:
    person = TerminalPerson()
    os.write(keyboard, b"typed before it was asked\n")
    person.begin(Task("confirm", "The area is clear (yes)"))
    assert "The area is clear (yes):" in capsys.readouterr().out
    assert person.answered() is None
    os.write(keyboard, b"ye")
    assert person.answered() is None
    os.write(keyboard, b"s \x1b[A\n")
    assert person.answered() == "yes [A"  # what moves a cursor is not kept
    person.begin(Task("low", "Move the hip", "hip"))
    assert "[Enter when there]" in capsys.readouterr().out
    os.write(keyboard, b"\n")
    assert person.answered() == ""


def test_a_terminal_that_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    person = TerminalPerson()
    with Path(os.devnull).open(encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(UsageError, match="terminal was closed"):
            person.answered()


@pytest.mark.parametrize("piped", ["stdin", "stdout"])
def test_both_ends_must_be_a_terminal(keyboard: int, monkeypatch: pytest.MonkeyPatch, piped: str) -> None:
    monkeypatch.setattr(sys, "stdout", sys.stdin)
    legtest.cli.terminal.require_terminal("it")
    monkeypatch.setattr(sys, piped, io.StringIO())
    with pytest.raises(UsageError, match="terminal"):
        legtest.cli.terminal.require_terminal("it")


# ---------------------------------------------------------------- reset
@pytest.fixture
def latched(own_latches: Path) -> Path:
    latch.set(own_latches, "socketcan:can0", ("torque: hip 19.0 N*m", "x\x1b[2J"), "2031-05-06T07:08:09+00:00")
    return own_latches


def test_reset_shows_the_reasons_but_wants_a_person(latched: Path) -> None:
    done = legtest_("reset", "--bench", STREAMS, typed="somebody\n")
    assert done.exit_code == 2
    assert "streams was stopped at 2031-05-06T07:08:09+00:00:\n  torque: hip 19.0 N*m\n" in done.output
    assert "\x1b" not in done.output
    assert latch.read(latched) is not None


@pytest.mark.parametrize(("typed", "cleared"), [("Kim\n", True), ("\n", False), (" \n", False), ("k\n", False)])
def test_reset_by_name(latched: Path, monkeypatch: pytest.MonkeyPatch, typed: str, cleared: bool) -> None:
    monkeypatch.setattr(legtest.cli.terminal, "require_terminal", lambda command: None)
    done = legtest_("reset", "--bench", STREAMS, typed=typed)
    assert (done.exit_code == 0) == cleared, done.output
    assert (latch.read(latched) is None) == cleared
    if cleared:
        [kept] = latched.parent.glob("*.cleared.jsonl")
        assert json.loads(kept.read_text())["by"] == "Kim"


def test_reset_with_nothing_to_clear() -> None:
    done = legtest_("reset", "--bench", STREAMS)
    assert (done.exit_code, "nothing to clear" in done.output) == (0, True)
    assert legtest_("reset", "--bench", BENCHES / "simulated.yaml").exit_code == 2


def test_the_file_it_leaves_is_read_as_any_other(at_the_bench: list[Bench], tmp_path: Path) -> None:
    path = tmp_path / "signoff.json"
    legtest_("signoff", "--leg", LEG.path, "--bench", STREAMS, "-o", path)
    made = datetime.fromisoformat(json.loads(path.read_text())["made_at"])
    signoff = read_signoff(path, LEG, read_bench(STREAMS), made)
    assert (signoff.grade, signoff.rehearsal, signoff.carriage) == (Grade.FREE_MOTION, False, "caught")
