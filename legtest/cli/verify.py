"""`legtest verify`: is a run's record complete and unchanged?"""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--all", "whole", is_flag=True, help="RUN is a folder of runs: only look for runs without a seal.")
@click.pass_context
def verify(ctx: click.Context, run: Path, whole: bool) -> None:
    """Say whether a run's record is complete and unchanged.

    RUN is the folder of a run. Everything wrong is listed: no seal, a file that was changed, added or taken away since
    the run was sealed, a journal, frame log or samples cut off in the middle, rows of a movement that was not finished.

    \b
    legtest verify runs/20310304-050607-tarn-fl-01
    legtest verify --all runs

    Exit code 1 when there is a problem. An interrupted run is readable, and is a problem. With --all, a folder without
    any run is one too: a build in which pytest was ended from inside, with exit code 0, is caught by this.
    """
    from legtest.records.reading import unsealed_runs, version_of
    from legtest.records.reading import verify as problems_of

    if whole:
        problems = [f"{path}: not sealed: interrupted or still running" for path in unsealed_runs(run)]
        if not any(run.glob("*/run.json")):
            problems.append(f"{run}: no run is in this folder")
    else:
        problems = problems_of(run)
    for problem in problems:
        click.echo(printable(problem), err=True)
    if problems:
        ctx.exit(1)
    click.echo(printable(f"{run}: {'every run is sealed' if whole else f'complete, record version {version_of(run)}'}"))
