"""The command `legtest`: a group whose commands are imported only when they are asked for."""

from __future__ import annotations

from importlib import import_module

import click

from legtest import __version__
from legtest.errors import DescriptionError, LegtestError, UsageError

# name -> where the command is, and its line in `legtest --help` (the first sentence of its own help)
COMMANDS = {
    "check": ("legtest.cli.check:check", "Check leg, stand and bench files, without touching a bus."),
    "new": ("legtest.cli.new:new", "Start a project: leg, stand, bench and a suite of two tests."),
    "procedures": ("legtest.cli.procedures:procedures", "List what can be measured, and how."),
    "faults": ("legtest.cli.faults:faults", "List what can be put into a simulated leg, and what should notice."),
    "study": ("legtest.cli.study:study", "Run a suite on many simulated legs: which faults does it catch, how surely?"),
    "campaign": ("legtest.cli.campaign:campaign", "Attack the loop with seeded faults, in simulation alone."),
    "rehearse": ("legtest.cli.rehearse:rehearse", "Serve a simulated leg in real time as a serial CAN adapter."),
    "scan": ("legtest.cli.scan:scan", "Say what is on a bench's CAN bus, and what is wrong with it."),
    "ready": ("legtest.cli.ready:ready", "Say what a bench is ready for, without applying power."),
    "signoff": ("legtest.cli.signoff:signoff", "Walk a person through the steps that only a person can do."),
    "reset": ("legtest.cli.reset:reset", "Show why a live leg was stopped, and let a person clear that."),
    "verify": ("legtest.cli.verify:verify", "Say whether a run's record is complete and unchanged."),
    "replay": ("legtest.cli.replay:replay", "Evaluate a run again from its frames and compare."),
    "report": ("legtest.cli.report:report", "Write a run's reports again from its record."),
    "compare": ("legtest.cli.compare:compare", "Compare a run with an earlier one, quantity by quantity."),
    "baseline": ("legtest.cli.baseline:baseline", "Keep runs as baselines, by name, signed for."),
    "criteria": ("legtest.cli.criteria:criteria", "Propose limits from at least ten runs of a leg."),
    "history": ("legtest.cli.history:history", "Show how the quantities of a leg develop from run to run."),
    "import": ("legtest.cli.history:import_", "Read records into the history."),
}
INTERRUPTED = 130  # what a shell gives for Ctrl-C

_HELP = """Bench procedures for robot-leg actuators as repeatable tests.

The tests themselves are run by pytest, on a simulated leg unless --live is given:

\b
  pytest suites/acceptance --leg fixtures/legs/tarn-fl.yaml

The commands here do what is around them. Each has its own help: legtest COMMAND --help.
"""
_EXIT_CODES = """\b
Exit codes:
  0    good
  1    something is wrong with the leg, the files or the record that was looked at
  2    the command was not understood
  130  interrupted
"""


class Refused(click.ClickException):
    """One of our errors on its way to the terminal: its message, the right exit code and no traceback."""

    def __init__(self, error: LegtestError) -> None:
        super().__init__(str(error) or type(error).__name__)
        self.misused = isinstance(error, UsageError) and not isinstance(error, DescriptionError)

    @property
    def exit_code(self) -> int:  # type: ignore[override]  # click gives it to the class; ours depends on the error
        return 2 if self.misused else 1


class LazyGroup(click.Group):
    """Knows its commands by name and imports the one that is run."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            import difflib

            near = difflib.get_close_matches(name, COMMANDS, 1)
            hint = f"did you mean '{near[0]}'?" if near else f"the commands are {', '.join(COMMANDS)}"
            raise click.UsageError(f"there is no command '{name}': {hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except LegtestError as error:
            raise Refused(error) from error
        except KeyboardInterrupt:
            raise click.exceptions.Exit(INTERRUPTED) from None


@click.group(
    cls=LazyGroup, help=_HELP, epilog=_EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(__version__, prog_name="legtest", message="%(prog)s %(version)s")
def main() -> None:
    """The entry point; its help is `_HELP`."""
