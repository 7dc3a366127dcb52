"""`legtest report`: the reports of a run, written again."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
def report(run: Path) -> None:
    """Write a run's reports again from its record.

    RUN is the folder of a run. Its junit.xml, summary.md and report.html are replaced; from the same record they come
    out byte for byte the same. The paths are printed.

    \b
    legtest report runs/20310304-050607-tarn-fl-01
    """
    from legtest.records.reading import read_run
    from legtest.reports.write import write_reports

    for path in write_reports(read_run(run)).values():
        click.echo(path)
