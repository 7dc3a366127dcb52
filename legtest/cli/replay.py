"""`legtest replay`: a run evaluated again from its frames."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.pass_context
def replay(ctx: click.Context, run: Path) -> None:
    """Evaluate a run again from its frames and compare.

    RUN is the folder of a run. Every movement of a built-in procedure is decoded again from frames.log and evaluated by
    the same code; every verdict is decided again. What then differs from the journal, in any digit, is listed.

    \b
    legtest replay runs/20310304-050607-tarn-fl-01

    Exit code 1 when something differs, when there was nothing to compare, or when the record is not sealed.
    Measurements of your own procedures are counted and not compared.
    """
    from legtest.records.reading import read_run
    from legtest.replay import replay_part

    record = read_run(run)
    parts = [replay_part(part, record.leg(part.leg)) for part in record.parts]
    for part, result in zip(record.parts, parts, strict=True):
        for difference in result.differences:
            click.echo(printable(f"{part.name}: {difference}"), err=True)
    differences, measurements, verdicts, others = (
        sum(counts)
        for counts in zip(
            *((len(p.differences), p.measurements, p.verdicts, len(p.others)) for p in parts), (0, 0, 0, 0), strict=True
        )
    )
    if others:
        click.echo(f"not compared: {others} measurements that come from no built-in procedure")
    if differences:
        click.echo(f"{differences} differences", err=True)
    elif not measurements:
        click.echo(printable(f"{run}: nothing to compare: no measurement of a built-in procedure"), err=True)
    else:
        click.echo(printable(f"{run}: identical: {measurements} measurements, {verdicts} verdicts"))
    if record.problem:
        click.echo(printable(f"{run}: {record.problem}"), err=True)
    ctx.exit(0 if measurements and not differences and record.complete else 1)
