"""`legtest criteria`: limits from what a leg did, for a person to accept."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable


@click.command()
@click.argument("runs", metavar="RUN...", nargs=-1, required=True,
                type=click.Path(exists=True, file_okay=False, path_type=Path))  # fmt: skip
@click.option("--write", "target", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the accepted proposal to a new file; needs --by and --reason.")  # fmt: skip
@click.option("--by", default="", metavar="PERSON", help="Who accepts it.")
@click.option("--reason", default="", metavar="TEXT", help="Why.")
def criteria(runs: tuple[Path, ...], target: Path | None, by: str, reason: str) -> None:
    """Propose limits from at least ten runs of a leg.

    For each quantity the interval that holds 95 % of such runs with 95 % confidence, widened by the uncertainty, as
    YAML for the leg's file, beside the limit of the drawing. No leg file is changed: paste what you accept. Refused
    are fewer runs, another leg, bench or mode among them, and runs that failed, are not sealed or were changed.

    \b
    Examples:
      legtest criteria runs/*-tarn-fl-*
      legtest criteria runs/*-tarn-fl-* --write limits.yaml --by "M. Osei" --reason "ten nights on the new belts"
    """
    from datetime import datetime

    from legtest.errors import RecordError, UsageError
    from legtest.history.baseline import check_signed
    from legtest.history.criteria import check_run, propose, yaml_lines
    from legtest.history.snapshot import snapshot
    from legtest.records.reading import read_run

    signed = ""
    if target is not None:
        check_signed(by, reason)
        signed = f"Accepted {datetime.now().astimezone().isoformat(timespec='seconds')} by {by}: {reason}"
    elif by or reason:
        raise UsageError("--by and --reason sign what is written: name the file with --write FILE")
    read = [read_run(run) for run in runs]
    for run in read:
        check_run(run)
    read.sort(key=lambda run: run.header.started)
    found = propose([snapshot(run, behaviour=False) for run in read], read[-1].header.legs[0])
    text = "".join(f"{printable(line)}\n" for line in yaml_lines(found, signed))
    if target is None:
        click.echo(text, nl=False)
        return
    try:
        with target.open("x", encoding="utf-8") as file:  # nothing is ever overwritten
            file.write(text)
    except OSError as error:
        raise RecordError(f"{target}: cannot be written: {error.strerror or error}") from None
    click.echo(printable(f"{target}: {len(found.proposals)} limits of {found.leg}, accepted by {by}"))
