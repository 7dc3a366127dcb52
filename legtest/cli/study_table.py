"""The tables that `legtest study` prints; plain text, so that they can be pasted into a document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from legtest.study.tally import Detection, Healthy, Honesty


def print_tables(healthy: Sequence[Healthy], faults: Sequence[Detection], honesty: Sequence[Honesty]) -> None:
    """Print what there is."""
    if healthy:
        click.secho("Healthy legs", bold=True)
        for each in healthy:
            click.echo(f"  {each.leg}: {each.passed} of {each.seeds} seeds passed whole")
            for trouble in each.troubles:
                click.echo(f"    {trouble}")
    if faults:
        click.secho("Faults (* a quantity that is expected to notice; ! expected, and never did)", bold=True)
        _print([("fault", "leg", "caught", "undecided", "failed, on how many seeds"), *map(_detection, faults)])
    if honesty:
        click.secho("Healthy measurements against the truth of the simulated parts", bold=True)
        head = ("quantity", "n", "bias", "sd", "stated u", "95 % intervals that hold it")
        _print([head, *map(_honesty, honesty)])


def _detection(d: Detection) -> tuple[str, ...]:
    noticed = [f"{'*' if q in d.expected else ''}{q} {n}" for q, n in d.noticed.items()]
    noticed += [f"!{q}" for q in d.expected if q not in d.noticed]
    return d.fault, d.leg, f"{d.failed} of {d.seeds}", str(d.open or "-"), ", ".join(noticed)


def _honesty(h: Honesty) -> tuple[str, ...]:
    from legtest.quantities import QUANTITIES
    from legtest.units import show

    kind = QUANTITIES[h.quantity].kind
    return h.quantity, str(h.n), *(show(x, kind) for x in (h.bias, h.sd, h.u)), f"{h.covered / h.n:.0%}"


def _print(rows: Sequence[tuple[str, ...]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        click.echo("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
