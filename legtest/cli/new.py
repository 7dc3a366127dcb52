"""`legtest new`: a project to start from."""

from __future__ import annotations

from pathlib import Path

import click

from legtest.errors import UsageError

STARTER = Path(__file__).parent / "starter"
# file in the new project -> the template it is copied from
FILES = {
    "README.md": "README.md",
    "leg.yaml": "leg.yaml",
    "drive.eds": "drive.eds",
    "stand.yaml": "stand.yaml",
    "bench.yaml": "bench.yaml",
    "suite/test_leg.py": "test_leg.txt",
}


@click.command()
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
def new(directory: Path) -> None:
    """Start a project: leg, stand, bench and a suite of two tests.

    DIR is made; if it is there it must be empty, and nothing is ever overwritten. What is written runs as it stands on
    the simulated leg; its README says the next three commands.

    \b
    legtest new my-leg
    """
    if directory.exists() and not directory.is_dir():
        raise UsageError(f"{directory}: this is a file; name a directory that is empty or does not exist")
    try:
        if directory.is_dir() and any(directory.iterdir()):
            raise UsageError(f"{directory}: not empty, and nothing is overwritten; name another directory")
        for name, template in FILES.items():
            path = directory / name
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write((STARTER / template).read_bytes())
            click.echo(path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageError(f"{directory}: cannot be written: {reason}; name another directory") from error
    click.echo(f"\nNext, in {directory}:\n")
    click.echo("  legtest check leg.yaml stand.yaml bench.yaml\n  pytest suite --leg leg.yaml --bench bench.yaml")
