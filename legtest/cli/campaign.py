"""`legtest campaign`: thousands of seeded faults against the loop, judged by an observer of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from legtest.campaign.tally import Tally


@click.command()
@click.option("--leg", "legs", multiple=True, required=True, metavar="FILE", help="A leg to draw from; repeatable.")
@click.option("--runs", default=2000, show_default=True, metavar="N", type=click.IntRange(1), help="How many seeds.")
@click.option("--seed", default=1, show_default=True, metavar="S", type=click.IntRange(0), help="The first seed.")
@click.option("--jobs", default=1, show_default=True, metavar="J", type=click.IntRange(1), help="Processes at once.")
@click.option("--remove", default="", metavar="RULE|all", help="Take a defence out, and look whether that is noticed.")
@click.option("--trace", is_flag=True, help="One seed only: faults, reasons and stops with their times.")
@click.option("--json", "path", default=None, metavar="FILE", help="Write all figures to this file.")
def campaign(
    legs: tuple[str, ...], runs: int, seed: int, jobs: int, remove: str, trace: bool, path: str | None
) -> None:
    """Attack the loop with seeded faults, in simulation alone.

    Each seed is one run of one of the legs: motions, and up to three faults of bus, adapter, host, drives, sensors,
    mechanics, supply, operator and user code. An observer that shares no code with the loop says which invariant broke.

    \b
    Example:
      legtest campaign --leg fixtures/legs/tarn-fl.yaml --leg fixtures/legs/tarn-hopper.yaml --runs 2000 --jobs 2
      legtest campaign --leg fixtures/legs/tarn-fl.yaml --seed 4711 --trace
    """
    import time

    from legtest.campaign import ablation, swarm

    if remove and remove != "all" and remove not in ablation.everything():
        raise click.BadParameter(f"known are all, {', '.join(ablation.everything())}", param_hint="--remove")
    if trace:
        _trace(seed, legs, remove)
        return
    _write(path, None, 0.0, [])  # now, and not after hours
    start = time.monotonic()
    tally = swarm.swarm(range(seed, seed + runs), legs, jobs=jobs, done=_progress(time.monotonic, runs))
    seconds = time.monotonic() - start
    from legtest.cli.campaign_table import print_removals, print_tables

    print_tables(tally, seconds)
    names = ablation.everything() if remove == "all" else (remove,) if remove else ()
    caught = []
    for name in names:
        found = ablation.ablate(name, ablation.candidates(name, tally), legs)
        caught.append(found)
        hint = "" if found.tried else ": no seed came up with this reason, take more --runs"
        click.echo(f"without {found.removal}: {_seed(found.seed)}, {found.tried} tried{hint}", err=True)
    print_removals(caught)
    _write(path, tally, seconds, [ablation.as_row(each) for each in caught])
    if tally.broken or tally.rare() or any(each.seed is None for each in caught):
        raise click.exceptions.Exit(1)


def _seed(seed: int | None) -> str:
    return "NOT NOTICED" if seed is None else f"noticed on seed {seed}"


def _write(path: str | None, tally: Tally | None, seconds: float, removals: Sequence[dict[str, object]]) -> None:
    import json
    from pathlib import Path

    from legtest.campaign.tally import as_json
    from legtest.errors import UsageError

    if path is None:
        return
    try:
        figures = {} if tally is None else as_json(tally, seconds, removals)
        Path(path).write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(f"--json {path}: {error.strerror or error}; name a file that can be written") from error


def _progress(clock: Callable[[], float], runs: int) -> Callable[[Tally], None]:
    """Prints a line every few seconds."""
    start = last = clock()

    def done(tally: Tally) -> None:
        nonlocal last
        now = clock()
        if now - last > 5.0:
            last = now
            rate = tally.runs / (now - start)
            left = (runs - tally.runs) / rate / 60
            seeds = tally.seeds_broken
            which = f" (seed {', '.join(map(str, seeds[:8]))}{', ...' if len(seeds) > 8 else ''})" if seeds else ""
            text = f"{tally.runs} runs, {rate:.1f} a second, {len(seeds)} broken{which}, {left:.0f} min left"
            click.echo(text, err=True)

    return done


def _trace(seed: int, legs: Sequence[str], remove: str) -> None:
    """One seed, told in order."""
    from legtest.campaign.removal import Removal
    from legtest.campaign.run import run_seed

    outcome = run_seed(seed, legs, Removal(remove) if remove and remove != "all" else None, digest=True)
    case = outcome.case
    click.echo(f"seed {seed}: leg {legs[case.leg]} at {case.rate_hz:g} cycles/s, pre-check {case.precheck}, {case.end}")
    for fault in case.faults:
        click.echo(f"  fault: {fault}")
    lines = [(t_ns, f"fault: {fault}") for t_ns, fault in outcome.fired]
    lines += [(t_ns, f"must stop ({expected}): {what}") for t_ns, what, expected in outcome.violations]
    for stop in outcome.stops:
        if stop.quick_stop_ns is not None:
            lines.append((stop.quick_stop_ns, f"stop frame to every axis, for {stop.what}"))
        if stop.power_off_ns is not None:
            lines.append((stop.power_off_ns, f"power off, for {stop.what}"))
    for t_ns, text in sorted(lines, key=lambda each: each[0]):
        click.echo(f"  {t_ns / 1e6:10.3f} ms  {text}")
    for event in outcome.events:
        click.echo(f"  loop: {event}")
    click.echo(f"  ended: {outcome.ended}")
    click.echo(f"  wire: {outcome.wire}")
    for text in outcome.broken:
        click.echo(f"  BROKEN: {text}")
    if outcome.broken:
        raise click.exceptions.Exit(1)
