"""`legtest faults`: what can be put into the simulated leg."""

from __future__ import annotations

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON, sizes in SI.")
def faults(as_json: bool) -> None:
    """List what can be put into a simulated leg, and what should notice.

    A fault is put into the simulated hardware, never into a test, and never into a real leg:

    \b
    pytest suites/acceptance --leg fixtures/legs/tarn-fl.yaml --leg-fault backlash
    pytest suites/acceptance --leg fixtures/legs/tarn-fl.yaml --leg-fault "backlash@hip=2 deg"
    """
    from legtest.simulation.fault import Fault
    from legtest.simulation.faults import FAULTS

    if as_json:
        import json

        keys = ("name", "title", "what", "kind", "unit", "default", "low", "high", "joint", "noticed_by")
        click.echo(json.dumps([{key: getattr(fault, key) for key in keys} for fault in FAULTS.values()], indent=2))
        return

    def lines(fault: Fault) -> list[tuple[str, str]]:
        elsewhere = f"the {fault.joint}; {fault.name}@JOINT puts it elsewhere"
        size, low, high = (fault.size_text(value) for value in (fault.default, fault.low, fault.high))
        return [
            ("", f"{fault.title}: {fault.what}"),
            ("where", elsewhere if fault.joint else "at no joint"),
            ("size", f"{fault.unit}, {low} to {high}; {size} if none is given"),
            ("noticed by", ", ".join(fault.noticed_by)),
        ]

    for fault in FAULTS.values():
        click.secho(fault.name, bold=True)
        for head, text in lines(fault):
            click.echo(f"  {head}: {text}" if head else f"  {text}")
