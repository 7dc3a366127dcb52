"""`legtest check`: are the description files right?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import click

from legtest.errors import DescriptionError, Problem

Kind = Literal["leg", "stand", "bench"]


@click.command()
@click.argument("files", metavar="FILE...", nargs=-1)
@click.option(
    "--schema", type=click.Choice(["leg", "stand", "bench"]), help="Print the JSON Schema of such a file (for editors)."
)
@click.pass_context
def check(ctx: click.Context, files: tuple[str, ...], schema: Kind | None) -> None:
    """Check leg, stand and bench files, without touching a bus.

    What a file describes is seen from its keys. Every problem of every file is printed, with its line, what was found
    and what would be right. A leg's EDS files are read as well.

    \b
    legtest check fixtures/legs/tarn-fl.yaml fixtures/benches/simulated.yaml
    legtest check --schema leg > leg.schema.json

    Exit code 1 when there is a problem.
    """
    if schema is not None:
        if files:
            raise click.UsageError("--schema prints a schema and checks no files; leave the files out")
        _print_schema(schema)
        return
    if not files:
        raise click.UsageError("name at least one file, for example: legtest check fixtures/legs/tarn-fl.yaml")
    problems: list[Problem] = []
    for file in files:
        try:
            click.echo(f"{file}: {_checked(file)}: good")
        except DescriptionError as error:
            problems += error.problems
    # A stand's problems show up once more through each bench that stands on it.
    found = list(dict.fromkeys(problems))
    for problem in found:
        click.echo(str(problem), err=True)
    if found:
        click.echo(f"{len(found)} problem{'s' if len(found) > 1 else ''}", err=True)
        ctx.exit(1)


def _print_schema(kind: Kind) -> None:
    import json

    from legtest.description import json_schema

    click.echo(json.dumps(json_schema(kind), indent=2))


def _checked(file: str) -> str:
    """What the file describes, like "leg tarn-fl". Raises DescriptionError with all of its problems."""
    readers: dict[Kind, Callable[[str], str]] = {"leg": _leg, "stand": _stand, "bench": _bench}
    kind = kind_of(file)
    return f"{kind} {readers[kind](file)}"


def kind_of(file: str) -> Kind:
    """What a file describes: the kind whose keys it has most of. Raises DescriptionError."""
    from legtest.description.nodes import load
    from legtest.description.schema import BenchFile, LegFile, StandFile

    document = load(file)
    keys = set(document.tree) if isinstance(document.tree, dict) else set()
    shared: dict[Kind, int] = {
        "leg": len(keys & set(LegFile.model_fields)),
        "stand": len(keys & set(StandFile.model_fields)),
        "bench": len(keys & set(BenchFile.model_fields)),
    }
    # Of two that fit alike, the one whose own name stands there: `leg: ...`, `bench: ...`.
    best = max(shared, key=lambda kind: (shared[kind], kind in keys, kind == "bench"))
    if not shared[best]:
        document.report((), "neither a leg, a stand nor a bench: expected a key like `leg: tarn-fl`")
        document.raise_problems()
    return best


def _leg(file: str) -> str:
    from legtest.description import default_bench, read_leg
    from legtest.wiring import setup_of

    leg = read_leg(file)
    setup_of(leg, default_bench())  # what the drives' EDS files lack is found here
    return leg.name


def _stand(file: str) -> str:
    from legtest.description import read_stand

    return read_stand(file).name


def _bench(file: str) -> str:
    from legtest.description import read_bench

    return read_bench(file).name
