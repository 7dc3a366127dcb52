"""`legtest signoff`: the steps at a bench that need a person, walked at a terminal."""

from __future__ import annotations

import click

_CAUTION = """\
This applies no power and asks for none. It is no safety function, and no substitute for the risk assessment of the
stand or for your local rules. Keep hands out of pinch points when you move the leg; motors and drives may be hot, and a
supply keeps its charge after it is switched off. Work with somebody else in call."""


@click.command()
@click.option("--leg", "leg_file", required=True, metavar="FILE", help="The leg on the bench.")
@click.option("--bench", "bench_file", required=True, metavar="FILE", help="The live bench.")
@click.option("-o", "--output", required=True, metavar="FILE", help="Where to write the sign-off; must not exist yet.")
def signoff(leg_file: str, bench_file: str, output: str) -> None:
    """Walk a person through the steps that only a person can do.

    The emergency stop is pressed, each joint is moved by hand from end to end, and what the bus shows of it is kept as
    evidence: which joint moved, its sign and its range. The file holds for these files, these drives, this start of the
    computer and 8 hours. No power is applied.

    \b
    legtest signoff --leg legs/tarn-fl.yaml --bench benches/streams.yaml -o signoff.json
    """
    from datetime import UTC, datetime
    from pathlib import Path

    from legtest.cli.terminal import TerminalPerson, require_terminal
    from legtest.description import read_bench, read_leg
    from legtest.errors import UsageError
    from legtest.keeper.identity import identity_of
    from legtest.signoff.document import write_signoff
    from legtest.signoff.walk import Walk
    from legtest.wiring import setup_of

    require_terminal("legtest signoff")
    leg, bench = read_leg(leg_file), read_bench(bench_file)
    if bench.interface == "simulated":
        raise UsageError(f"{bench.path}: nothing of a simulated bench needs a person; `legtest rehearse` plays one")
    if identity_of(bench.interface, bench.channel).startswith("rehearsal:"):
        raise UsageError(f"{bench.path}: nobody can take hold of a rehearsed leg; a rehearsal writes its own sign-off")
    if Path(output).exists():
        raise UsageError(f"{output} is there already; move it away, or name another file")
    from legtest.live import open_unpowered

    click.echo(_CAUTION)
    port = open_unpowered(leg, bench)
    try:
        walk = Walk(leg, bench, setup_of(leg, bench), port, TerminalPerson())
        walk.run()
        document = walk.document(datetime.now(UTC), rehearsal=False)
    finally:
        port.close()
    write_signoff(output, document)
    click.echo(f"\n{output}: signed off for {walk.grade.words} until {document['valid_until']}")
