"""The tables of a campaign, as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from legtest.campaign.ablation import Caught
    from legtest.campaign.tally import Tally

SHOWN_SEEDS = 5


def print_tables(tally: Tally, seconds: float) -> None:
    """Runs, faults, reasons, stops, and what was broken."""
    rate = tally.runs / seconds if seconds > 0 else 0.0
    click.echo(f"{tally.runs} runs in {seconds:.0f} s, {rate:.1f} a second; {tally.stopped} stopped by a reason")
    _faults(tally)
    _reasons(tally)
    _stops(tally)
    if not tally.broken:
        click.echo("\nno invariant broken")
    for name, seeds in sorted(tally.broken.items()):
        some = ", ".join(map(str, sorted(set(seeds))[:SHOWN_SEEDS]))
        click.echo(f"\nBROKEN {name}: {len(set(seeds))} seeds, first {some}; repeat one with --seed N --trace")


def _faults(tally: Tally) -> None:
    from legtest.campaign.grammar import KINDS

    click.echo(f"\n{'fault':34}{'where':12}{'runs':>8}{'stopped':>9}")
    for name, kind in sorted(KINDS.items(), key=lambda item: (item[1].where, item[0])):
        click.echo(f"{name:34}{kind.where:12}{tally.kinds[name]:8}{tally.kinds_stopped[name]:9}")


def _reasons(tally: Tally) -> None:
    from legtest.campaign.removal import RULES
    from legtest.campaign.tally import LEAST_SHARE

    click.echo(f"\n{'reason':34}{'runs':>8}{'share':>9}")
    rare = tally.rare()
    for rule in (*RULES, *sorted(set(tally.rules) - set(RULES))):
        note = f"  BELOW {LEAST_SHARE:.1%}" if rule in rare else ""
        click.echo(f"{rule:34}{tally.rules[rule]:8}{tally.rules[rule] / tally.runs:9.2%}{note}")


def _stops(tally: Tally) -> None:
    from legtest.campaign.tally import stop_table

    spans = "".join(f"{word:>9}" for word in ("p50 ms", "p99 ms", "max ms"))
    click.echo(f"\n{'stop':8}{'':22}{'cycles/s':>9}{'number':>8}{spans}{'of budget':>11}")
    for hz, expected, what, number, (p50, p99, most), share in stop_table(tally.stops):
        click.echo(f"{expected:8}{what:22}{hz:9g}{number:8}{p50:9.2f}{p99:9.2f}{most:9.2f}{share:11.0%}")


def print_removals(caught: Sequence[Caught]) -> None:
    """What was taken out, and which seed noticed."""
    if not caught:
        return
    click.echo(f"\n{'removed':34}{'seed':>8}{'tried':>7}  what broke")
    for removal, seed, tried, broken in caught:
        told = broken[0] if broken else ""
        masks = f" [without {', '.join(removal.without)}]" if removal.without else ""
        click.echo(f"{removal.what:34}{'NONE' if seed is None else seed:>8}{tried:7}  {told}{masks}")
