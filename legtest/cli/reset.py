"""`legtest reset`: a person looks at why the leg was stopped, and clears it."""

from __future__ import annotations

import click


@click.command()
@click.option("--bench", "bench_file", required=True, metavar="FILE", help="The bench whose leg was stopped.")
def reset(bench_file: str) -> None:
    """Show why a live leg was stopped, and let a person clear that.

    The monitor's stop stays, over processes and restarts, until somebody has found its cause and typed their name
    here. Nothing moves by it: the next run begins with the whole pre-check.

    \b
    legtest reset --bench benches/streams.yaml
    """
    from datetime import UTC, datetime

    from legtest.cli.terminal import require_terminal
    from legtest.description import read_bench
    from legtest.errors import UsageError, printable
    from legtest.keeper import latch
    from legtest.keeper.identity import identity_of

    bench = read_bench(bench_file)
    if bench.interface == "simulated":
        raise UsageError(f"{bench.path}: a simulated leg is made anew for each test; there is nothing to clear")
    path = latch.path_for(identity_of(bench.interface, bench.channel))
    latched = latch.read(path)
    if latched is None:
        click.echo(f"{bench.name}: no stop stands; nothing to clear")
        return
    click.echo(f"{bench.name} was stopped{f' at {printable(latched.when)}' if latched.when else ''}:")
    for reason in latched.reasons:
        click.echo(f"  {printable(reason)}")
    require_terminal("legtest reset")
    click.echo("Clear this only when you have found the cause, and the bench and the leg are whole.")
    by = click.prompt("Type your name to clear it", default="", show_default=False).strip()
    if not by.isprintable() or len(by) < 2:
        raise UsageError("no name was typed: the stop stands")
    try:
        latch.clear(path, by, datetime.now(UTC).isoformat(timespec="seconds"))
    except OSError as error:
        raise UsageError(f"{path} cannot be cleared: {error.strerror or error}") from error
    click.echo("cleared")
