"""`legtest compare`: two runs beside each other."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable


@click.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.argument("earlier", metavar="EARLIER")
@click.option("--baselines", default="baselines", show_default=True, metavar="DIR",
              type=click.Path(file_okay=False, path_type=Path), help="Where the baselines are.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print JSON, SI units.")
@click.pass_context
def compare(ctx: click.Context, run: Path, earlier: str, baselines: Path, as_json: bool) -> None:
    """Compare a run with an earlier one, quantity by quantity.

    RUN is the folder of a run, EARLIER that of another one or the name of a baseline. The outcomes are equivalent,
    different and undecided. A quantity is equivalent when the 90 % interval of its difference lies inside the margin
    of the leg's file (criteria: margin). What is systematic cancels on the same bench and parts. Another bench, stand
    or mode, or other conditions, are refused.

    \b
    Examples:
      legtest compare runs/20310305-070000-tarn-fl-01 runs/20310304-050607-tarn-fl-01
      legtest compare runs/20310305-070000-tarn-fl-01 overhaul-2031

    Exit code 1 when something is different, undecided or refused.
    """
    import json

    from legtest.history.baseline import find
    from legtest.history.compare import compare_runs
    from legtest.history.snapshot import check_whole, snapshot
    from legtest.metrology.equivalence import Outcome
    from legtest.records.reading import read_run

    record = read_run(run)
    check_whole(record, "not compared")
    base = find(baselines, earlier)
    found = compare_runs(snapshot(record), base.snapshot)
    if as_json:
        rows = [row.body(base.name, base.snapshot.run) for row in found.rows]
        data = {"outcome": found.outcome.value, "refused": found.refused, "changes": found.changes, "quantities": rows}
        click.echo(json.dumps(data, indent=2))
    else:
        signed = f"baseline {base.name}, accepted {base.accepted[:10]} by {base.by}: {base.reason}"
        click.echo(printable(f"{found.new.run} beside {found.old.run}{f' ({signed})' if base.name else ''}"))
        if found.new.uid == found.old.uid:
            click.echo("both are the same record: nothing can have moved")
        for change in found.changes:
            click.echo(printable(f"changed: {change}"))
        for line in [f"refused: {found.refused}"] if found.refused else [row.line for row in found.rows]:
            click.echo(printable(line))
        totals = ", ".join(f"{count} {word}" for word, count in found.counts.items())
        click.echo(printable(f"{found.outcome}: {totals or 'nothing compared'}"))
    if found.outcome is not Outcome.EQUIVALENT:
        ctx.exit(1)
