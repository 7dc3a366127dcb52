"""`legtest report`: the reports of a run, written again."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.pass_context
def report(ctx: click.Context, run: Path) -> None:
    """Write a run's reports again from its record.

    RUN is the folder of a run. Its junit.xml, summary.md and report.html are replaced; from the same record they come
    out byte for byte the same. The paths are printed.

    \b
    legtest report runs/20310304-050607-tarn-fl-01

    Exit code 1 when the record is not sealed, or was changed since; the reports are written.
    """
    from legtest.records.reading import read_run
    from legtest.records.verifying import problems_of
    from legtest.reports.write import write_reports

    record = read_run(run)
    for path in write_reports(record).values():
        click.echo(printable(str(path)))
    problems = [f"{run}: {record.problem}"] if record.problem else list(dict.fromkeys(problems_of(record)))
    for problem in problems:
        click.echo(printable(problem), err=True)
    if problems:
        ctx.exit(1)
