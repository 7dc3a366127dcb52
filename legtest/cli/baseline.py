"""`legtest baseline`: runs that somebody signed for, by name."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import printable

_FOLDER = click.option("--baselines", default="baselines", show_default=True, metavar="DIR",
                       type=click.Path(file_okay=False, path_type=Path), help="Where the baselines are.")  # fmt: skip


@click.group()
def baseline() -> None:
    """Keep runs as baselines, by name, signed for.

    A baseline is a file with the values of one run, to compare later runs with. It is never replaced in silence: a
    new one of the same name lies beside the old one. Keep the folder under version control.

    \b
    Example:
      legtest baseline accept runs/20310304-050607-tarn-fl-01 --name overhaul-2031 --by "M. Osei" --reason "new belts"
    """


@baseline.command()
@click.argument("run", metavar="RUN", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--name", required=True, metavar="NAME", help="Its name from now on.")
@click.option("--by", required=True, metavar="PERSON", help="Who signs for it.")
@click.option("--reason", required=True, metavar="TEXT", help="Why this run is the one to compare with.")
@click.option("--supersede", is_flag=True, help="The name has one already: keep both, compare with this one.")
@_FOLDER
def accept(run: Path, name: str, by: str, reason: str, supersede: bool, baselines: Path) -> None:
    """Keep a run as the baseline of that name.

    Only a sealed and unchanged record is taken. What in it did not pass is said, and stays in the baseline.

    \b
    Example:
      legtest baseline accept runs/20310304-050607-tarn-fl-01 --name overhaul-2031 --by "M. Osei" --reason "new belts"
    """
    from datetime import datetime

    from legtest.history.baseline import accept as keep
    from legtest.records.reading import read_run

    now = datetime.now().astimezone()
    made, path = keep(
        read_run(run), baselines, name=name, by=by, reason=reason, now=now, supersede=supersede
    )
    click.echo(printable(f"{path}: {len(made.snapshot.values)} values of {made.snapshot.run}, {made.snapshot.mode}"))
    for value in made.snapshot.values:
        if value.word not in ("pass", "no limit set"):
            click.echo(printable(f"note: {value.label} was {value.word}"), err=True)


@baseline.command("list")
@_FOLDER
def list_(baselines: Path) -> None:
    """List the baselines: name, run, when it was accepted, by whom, why.

    \b
    Example:
      legtest baseline list
    """
    from legtest.history.baseline import acceptances, names

    known = names(baselines)
    if not known:
        click.echo(printable(f"{baselines}: no baseline; `legtest baseline accept RUN --name ...` makes one"), err=True)
    for name in known:
        held = acceptances(baselines, name)
        more = f" ({len(held) - 1} before it)" if len(held) > 1 else ""
        b = held[-1]
        click.echo(printable(f"{name}  {b.snapshot.run}  {b.accepted[:10]}  {b.by}: {b.reason}{more}"))


@baseline.command()
@click.argument("name", metavar="NAME")
@_FOLDER
def show(name: str, baselines: Path) -> None:
    """Show a baseline: every acceptance, the drives with their firmware, the values with margins.

    \b
    Example:
      legtest baseline show overhaul-2031
    """
    from math import isfinite

    from legtest.history.baseline import acceptances
    from legtest.units import show as text

    held = acceptances(baselines, name)
    for b in held:
        click.echo(printable(f"{b.number:03d}  {b.accepted}  {b.snapshot.run}  {b.by}: {b.reason}"))
    now = held[-1].snapshot
    click.echo(printable(f"{now.mode}, bench {now.bench}, stand {now.stand}, legtest {now.legtest}"))
    behaviour = {(f.leg, f.joint): f for f in now.fingerprints}
    for d in now.drives:
        firmware = f"declared firmware {d.declared_firmware}" if d.declared_firmware else "firmware not stated"
        serial = "not stated" if d.serial is None else d.serial
        f = behaviour.get((d.leg, d.joint))
        reply = f", answers after {f.reply_us:g} us (p99 {f.reply_p99_us:g} us)" if f and isfinite(f.reply_us) else ""
        limit = f", {f.limit_response:g} of its torque cap at the limit" if f and isfinite(f.limit_response) else ""
        click.echo(printable(f"{d.leg} {d.joint} drive: serial {serial}, {firmware}{reply}{limit}"))
    for value in now.values:
        m = value.measurement
        margin = f"margin {text(value.margin, m.kind)}, {value.margin_from}" if value.margin else value.margin_from
        u = text(m.u, m.kind, 2) if isfinite(m.u) else "unknown"
        click.echo(printable(f"{value.label} {text(m.value, m.kind)}, u {u}; {margin}"))
