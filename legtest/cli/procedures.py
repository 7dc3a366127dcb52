"""`legtest procedures`: what can be measured."""

from __future__ import annotations

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON, durations in seconds.")
def procedures(as_json: bool) -> None:
    """List what can be measured, and how.

    Each procedure is a module with a function `run`, to be called in a test:

    \b
    from legtest import backlash
    def test_play(bench, joint, judge):
        judge(*backlash.run(bench, joint))
    """
    from legtest.procedures.catalogue import PROCEDURES
    from legtest.quantities import QUANTITIES

    if as_json:
        import json

        keys = ("title", "method", "quantities", "per_joint", "energy_class", "posture", "reference", "duration_s")
        listed = [
            {"name": p.name, "module": p.move.__module__, "setups": [each.value for each in p.setups]}
            | {key: getattr(p, key) for key in keys}
            for p in PROCEDURES
        ]
        click.echo(json.dumps(listed, indent=2))
        return
    for p in PROCEDURES:
        click.secho(f"{p.name}: {p.title}", bold=True)
        click.echo(f"  {p.method}")
        module = p.move.__module__.rpartition(".")[2]
        click.echo(f"  call: {module}.run(bench{', joint' if p.per_joint else ''})   from legtest import {module}")
        click.echo(f"  set-up: {', then '.join(p.setups)}; {p.posture}; about {p.duration_s:.0f} s")
        click.echo(f"  reference: {p.reference}")
        for name in p.quantities:
            click.echo(f"  measures {name}: {QUANTITIES[name].title}")
