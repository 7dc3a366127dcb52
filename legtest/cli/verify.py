"""`legtest verify`: is a run's record complete and unchanged?"""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.pass_context
def verify(ctx: click.Context, run: Path) -> None:
    """Say whether a run's record is complete and unchanged.

    RUN is the folder of a run. Everything wrong is listed: no seal, a file that was changed, added or taken away since
    the run was sealed, a journal cut off in the middle.

    \b
    legtest verify runs/20310304-050607-tarn-fl-01

    Exit code 1 when there is a problem. An interrupted run is readable, and is a problem.
    """
    from legtest.records.reading import verify as problems_of
    from legtest.reports.rows import printable

    problems = problems_of(run)
    for problem in problems:
        click.echo(printable(problem), err=True)
    if problems:
        ctx.exit(1)
    click.echo(f"{run}: complete")
