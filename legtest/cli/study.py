"""`legtest study`: which faults a suite catches, how surely, and whether its uncertainties hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable

    from legtest.study.case import Case


@click.command()
@click.argument("suite", nargs=-1, required=True)
@click.option("--leg", "legs", multiple=True, required=True, metavar="FILE", help="A leg; repeatable.")
@click.option("--seeds", default=5, show_default=True, metavar="N", type=click.IntRange(1), help="Seeds 1 to N.")
@click.option("--fault", "faults", multiple=True, metavar="NAME[@JOINT][=SIZE]", help="Put in a fault; repeatable.")
@click.option("--all-faults", is_flag=True, help="Every fault, at its default size.")
@click.option("--half", is_flag=True, help="Each fault once more at half its size.")
@click.option("--no-healthy", is_flag=True, help="Leave the healthy legs out.")
@click.option("-k", "select", default="", metavar="EXPR", help="Only the tests that pytest selects by this expression.")
@click.option("--jobs", default=1, show_default=True, metavar="N", type=click.IntRange(1), help="Suites at once.")
@click.option("--results", default="study.jsonl", show_default=True, metavar="FILE", help="Where each result is added.")
@click.option("--runs", default=None, metavar="DIR", help="Keep the records of the runs here.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, SI units.")
def study(
    suite: tuple[str, ...],
    legs: tuple[str, ...],
    seeds: int,
    faults: tuple[str, ...],
    all_faults: bool,
    half: bool,
    no_healthy: bool,
    select: str,
    jobs: int,
    results: str,
    runs: str | None,
    as_json: bool,
) -> None:
    """Run a suite on many simulated legs: which faults does it catch, how surely?

    Every leg is run with every seed, healthy and with each fault put in. Each result is added to the results file at
    once, and a case that is there already is not run again: an interrupted study goes on where it was.

    \b
    Example:
      legtest study suites/acceptance --leg fixtures/legs/tarn-fl.yaml --seeds 5 --all-faults --half --jobs 2
    """
    import json
    import time
    from dataclasses import asdict
    from pathlib import Path

    from legtest.simulation.faults import FAULTS
    from legtest.study import case, run, tally

    named = [*faults, *(FAULTS if all_faults else ())]
    wanted = case.cases(legs, range(1, seeds + 1), named, half=half, healthy=not no_healthy, select=select)
    rows = run.study(
        wanted, suite, Path(results), jobs=jobs, runs=Path(runs) if runs else None, done=_progress(time.monotonic)
    )
    healthy, caught, honesty = tally.healthy(rows), tally.detections(rows), tally.honesty(rows)
    if as_json:
        data = {
            "healthy": [asdict(each) for each in healthy],
            "faults": [asdict(each) for each in caught],
            "uncertainty": [asdict(each) for each in honesty],
        }
        click.echo(json.dumps(data, indent=2))
        return
    if (versions := tally.versions(rows)) > 1:
        click.echo(f"warning: rows from {versions} versions of the code; delete {results} to begin anew", err=True)
    from legtest.cli.study_table import print_tables

    print_tables(healthy, caught, honesty)


def _progress(clock: Callable[[], float]) -> Callable[[Case, dict[str, Any], int], None]:
    """Prints a line for each finished case, with a guess of the time left."""
    start, finished = clock(), 0

    def done(case: Case, row: dict[str, Any], left: int) -> None:
        nonlocal finished
        finished += 1
        minutes = (clock() - start) / finished * left / 60
        failed = sorted({v["quantity"] for v in row["verdicts"] if v["word"] == "fail"})
        what = f"fail: {', '.join(failed)}" if failed else f"exit {row['exit']}"
        click.echo(f"{case}: {what}; {left} left, about {minutes:.0f} min", err=True)

    return done
