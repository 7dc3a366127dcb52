"""`legtest history` and `legtest import`: how a leg's quantities develop, from run to run."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from legtest.errors import UsageError, printable

if TYPE_CHECKING:
    from legtest.history.sql import Database

_FOLDER = click.Path(file_okay=False, path_type=Path)
_RUNS = click.option("--runs", default="runs", show_default=True, metavar="DIR", type=_FOLDER, help="The records.")
_PLACE = click.option(
    "--history", "place", metavar="FILE|URL",
    help="The history: a file, or postgresql://HOST/DATABASE. Default: history.sqlite beside the records.",
)  # fmt: skip
_BASELINES = click.option(
    "--baselines", default="baselines", show_default=True, metavar="DIR", type=_FOLDER, help="Where the baselines are.",
)  # fmt: skip
_LONGEST_PLOT = 12  # plots on the terminal without --quantity


@click.command()
@click.argument("leg", metavar="LEG")
@_RUNS
@_PLACE
@_BASELINES
@click.option("--last", default=200, show_default=True, metavar="N", type=click.IntRange(2, 100_000),
              help="The newest N runs.")  # fmt: skip
@click.option("-q", "--quantity", default="", metavar="TEXT", help="Plot those with this in their name.")
@click.option("--chart", type=click.Choice(["EWMA", "CUSUM"], case_sensitive=False), default="EWMA",
              show_default=True, help="For slow drifts: EWMA or CUSUM.")  # fmt: skip
@click.option("--html", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path), help="Also write a page.")
def history(
    leg: str, runs: Path, place: str | None, baselines: Path, last: int, quantity: str, chart: str, html: Path | None
) -> None:
    """Show how the quantities of a leg develop from run to run.

    LEG is the leg's name. Each quantity has a control chart: is it drifting? That is another question than whether it
    lies inside its limits, or where its baseline was. The charts' limits are set for all quantities together, and the
    rate of false alarms is printed. A changed drive, firmware or baseline begins a chart anew.

    \b
    Example:
      legtest history tarn-fl --html tarn-fl.html

    Exit code 0, whatever the charts say; 2 when there is no run of the leg.
    """
    import sys

    from legtest.history import store, textplot
    from legtest.history.baseline import accepted_for
    from legtest.history.page import history_html
    from legtest.history.trend import trends

    with closing(_open(place, runs, make=False)) as database:
        rows = store.runs_of(database, leg, last)
        if not rows:
            known = ", ".join(store.legs_in(database)) or "none; `legtest import RUNS` reads records in"
            raise UsageError(f"{database.place}: no run of a leg {leg!r}; legs there: {known}")
        found = trends(
            leg, rows, store.points_of(database, leg, rows), accepted=accepted_for(baselines, leg),
            name="CUSUM" if chart.upper() == "CUSUM" else "EWMA",
        )  # fmt: skip
    mode = found.rows[-1].mode
    _say(f"{leg}: {mode}, {_runs(len(found.rows))}, {found.rows[0].started[:10]} to {found.rows[-1].started[:10]}")
    if found.left_out:
        elsewhere = "on another bench or stand, in another mode, or of another simulated leg"
        _say(f"left out: {_runs(found.left_out)} {elsewhere}")
    _say(f"{found.chart}, {found.rate_text}")
    _say("")
    blocks = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    for line in textplot.table(found, blocks=blocks):
        _say(line)
    asked = [s for s in found.series if quantity and quantity.lower() in f"{s.label} {s.quantity}".lower()]
    if quantity and not asked:
        _say(f"no quantity has {quantity!r} in its name: nothing is plotted")
    for series in asked if quantity else [s for s in found.series if s.signal][:_LONGEST_PLOT]:
        _say("")
        for line in textplot.plot(series):
            _say(line)
    if html is not None:
        _write(html, history_html(found))
        _say(f"page: {html}")


@click.command("import")
@click.argument("runs", metavar="RUN...", nargs=-1, required=True,
                type=click.Path(exists=True, file_okay=False, path_type=Path))  # fmt: skip
@_PLACE
@click.pass_context
def import_(ctx: click.Context, runs: tuple[Path, ...], place: str | None) -> None:
    """Read records into the history.

    RUN is the folder of a run, or a folder of runs. A run that is there already is left as it is, so importing again
    is harmless, also while others import. Without --history the file history.sqlite beside the runs is used.

    \b
    Examples:
      legtest import runs
      legtest import runs --history postgresql://lab-server/legtest

    Exit code 1 when a record could not be imported: not sealed, changed since, not readable.
    """
    import sys
    import time

    from legtest.cli.progress import Progress
    from legtest.history import store

    folders = [folder for path in runs for folder in store.run_folders(path)]
    progress = Progress(len(folders), "runs", sys.stderr, time.monotonic)
    problems: list[str] = []

    def done(folder: Path, what: str) -> None:
        if what not in ("added", "there already"):
            problems.append(what)
        progress.step()

    with closing(_open(place, folders[0].parent, make=True)) as database:
        added, failed = store.import_runs(database, folders, done)
        progress.end()
        _say(f"{database.place}: {_runs(added)} added, {len(folders) - added - failed} there already")
    for problem in problems:
        click.echo(printable(problem), err=True)
    if failed:
        ctx.exit(1)


def _open(place: str | None, runs: Path, *, make: bool) -> Database:
    from legtest.history.sql import URLS, open_history
    from legtest.history.store import default_place

    where = place or default_place(runs)
    if not make and not where.startswith(URLS) and not Path(where).is_file():
        raise UsageError(f"{where}: there is no history; `legtest import RUNS` makes one from records")
    return open_history(where)


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"


def _say(line: str) -> None:
    click.echo(printable(line))


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from None
