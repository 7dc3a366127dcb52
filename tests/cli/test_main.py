"""The command itself: help, what it loads, near misses, errors and exit codes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from legtest import __version__
from legtest.cli.main import COMMANDS, LazyGroup, main
from legtest.errors import BusLost, DescriptionError, Problem, RecordError, UsageError

ROOT = Path(__file__).parents[2]


def command(name: str) -> click.Command:
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


def test_help_lists_every_command_and_the_exit_codes() -> None:
    done = CliRunner().invoke(main, ["--help"])
    assert done.exit_code == 0
    for name in COMMANDS:
        assert f"\n  {name} " in done.output
    for code in ("0    good", "1    something", "2    the command", "130  interrupted"):
        assert code in done.output


def test_version() -> None:
    assert CliRunner().invoke(main, ["--version"]).output == f"legtest {__version__}\n"


def test_help_loads_nothing_but_click() -> None:
    code = (
        "import sys\nfrom legtest.cli.main import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print('loaded', *{name.split('.')[0] for name in sys.modules} - set(sys.stdlib_module_names))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split()[1:])
    assert {"legtest", "click"} <= loaded
    assert not loaded & {"numpy", "mujoco", "can", "canopen", "pydantic", "yaml", "pyarrow", "jinja2", "rich", "pytest"}


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_teaches_with_an_example(name: str) -> None:
    found = command(name)
    assert found.name == name
    assert (found.help or "").startswith(COMMANDS[name][1])
    assert any(start in (found.help or "") for start in (f"legtest {name}", "pytest", "def test_play"))
    assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0


@pytest.mark.parametrize(
    ("typed", "hint"), [("chek", "did you mean 'check'?"), ("repot", "'report'"), ("xyz", "commands are check, new")]
)
def test_a_command_that_is_not_there(typed: str, hint: str) -> None:
    done = CliRunner().invoke(main, [typed])
    assert done.exit_code == 2
    assert f"there is no command '{typed}'" in done.output
    assert hint in done.output


def test_an_option_that_is_not_there() -> None:
    done = CliRunner().invoke(main, ["check", "--shema", "leg"])
    assert done.exit_code == 2
    assert "--schema" in done.output


def group_that_raises(error: BaseException) -> click.Group:
    """The group, with a command that fails."""

    class Failing(LazyGroup):
        def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
            def fail() -> None:
                raise error

            return click.Command(cmd_name, callback=fail)

    return Failing("legtest")


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UsageError("not like this"), 2),
        (DescriptionError((Problem("leg.yaml:3:1", "leg", "no"),)), 1),
        (RecordError("torn"), 1),
        (BusLost("the adapter is gone"), 1),
    ],
)
def test_our_errors_are_a_message_and_a_code(error: Exception, code: int) -> None:
    done = CliRunner().invoke(group_that_raises(error), ["check"])
    assert done.exit_code == code
    assert done.output == f"Error: {error}\n"


def test_a_mistake_of_ours_is_not_hidden() -> None:
    done = CliRunner().invoke(group_that_raises(ZeroDivisionError("bug")), ["check"])
    assert isinstance(done.exception, ZeroDivisionError)


def test_an_interrupt_is_quiet() -> None:
    done = CliRunner().invoke(group_that_raises(KeyboardInterrupt()), ["check"])
    assert (done.exit_code, done.output) == (130, "")


def test_a_reader_that_goes_away_is_quiet() -> None:
    """`legtest check --schema leg | head -1`, with more output than a pipe holds before its reader closes."""
    code = "import sys; from legtest.cli.main import main; main(['check', '--schema', 'leg'])"
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""


def test_every_command_has_its_heading_in_the_documents() -> None:
    page = (ROOT / "docs/reference/commands.md").read_text(encoding="utf-8")
    headings = {line.removeprefix("## ") for line in page.splitlines() if line.startswith("## ")}
    assert headings == {*COMMANDS, "Exit codes"}
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"\nlegtest {name} " not in readme] == []
