"""`legtest ready`: what is a bench ready for, and what is the cheapest step further?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from legtest.description.model import BenchDescription, LegDescription
    from legtest.readiness import Found, Readiness, Refusal
    from legtest.safety.port import Port
    from legtest.safety.setup import Setup
    from legtest.signoff import SignOff

_GRADES = ("listen", "unpowered", "torque-capped", "free-motion")


@click.command()
@click.option("--leg", "leg_file", required=True, metavar="FILE", help="The leg on the bench.")
@click.option("--bench", "bench_file", required=True, metavar="FILE", help="The bench.")
@click.option("--signoff", "signoff_file", metavar="FILE", help="A sign-off of it, made today.")
@click.option(
    "--listen", "seconds", type=click.FloatRange(0.1, 60.0), metavar="SECONDS",
    help="Ask the unpowered drives who they are, and watch their telemetry so long.",
)  # fmt: skip
@click.option("--need", type=click.Choice(_GRADES), default="listen", help="Exit code 1 below this grade.")
@click.option("--json", "as_json", is_flag=True, help="Print data.")
@click.pass_context
def ready(
    ctx: click.Context, leg_file: str, bench_file: str, signoff_file: str | None, seconds: float | None, need: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Say what a bench is ready for, without applying power.

    Everything that stands in the way is listed at once, for every grade: listen, unpowered, torque-capped, free-motion;
    then the cheapest step to the next. Of a simulated bench it says what a live bench of this file would lack.

    \b
    legtest ready --leg legs/tarn-fl.yaml --bench benches/streams.yaml --listen 2
    """
    import json

    from legtest.description import read_bench, read_leg
    from legtest.readiness import Grade, assess
    from legtest.wiring import setup_of

    leg, bench = read_leg(leg_file), read_bench(bench_file)
    setup = setup_of(leg, bench)
    signoff, refused = _signoff(signoff_file, leg, bench)
    found = _found(leg, bench, setup, seconds)
    result = assess(leg, bench, signoff, found, more=[*refused, *_latched(bench)])
    enough = result.grade >= Grade(_GRADES.index(need))
    if as_json:
        click.echo(json.dumps(_data(bench, result, enough), indent=2))
    else:
        _print(bench, result, found)
    ctx.exit(0 if enough else 1)


def _signoff(
    path: str | None, leg: LegDescription, bench: BenchDescription
) -> tuple[SignOff | None, list[Refusal]]:
    """The sign-off, or the refusal that stands for what is wrong with it."""
    from datetime import UTC, datetime

    from legtest.errors import UsageError
    from legtest.readiness import Effort, Grade, Refusal
    from legtest.signoff import read_signoff

    if path is None:
        return None, []
    try:
        return read_signoff(path, leg, bench, datetime.now(UTC)), []
    except UsageError as error:
        way_out = "Have the bench signed off anew: legtest signoff"
        said = str(error).replace("\n", "; ")
        return None, [Refusal(Grade.TORQUE_CAPPED, "sign-off", said, "one that holds", way_out, Effort.COMMAND)]


def _latched(bench: BenchDescription) -> list[Refusal]:
    """A stop that nobody has cleared yet."""
    from legtest.keeper import latch
    from legtest.keeper.identity import identity_of
    from legtest.readiness import Effort, Grade, Refusal

    if bench.interface == "simulated":
        return []
    latched = latch.read(latch.path_for(identity_of(bench.interface, bench.channel)))
    if latched is None:
        return []
    said = f"the leg was stopped: {'; '.join(latched.reasons)}"
    way_out = f"Find the cause, then: legtest reset --bench {bench.path}"
    return [Refusal(Grade.TORQUE_CAPPED, "latched stop", said, "no stop that stands", way_out, Effort.ADJUST)]


def _found(leg: LegDescription, bench: BenchDescription, setup: Setup, seconds: float | None) -> Found:
    from legtest.errors import DriveError, LegtestError, LinkError, SafetyError
    from legtest.readiness import Found

    if seconds is None:
        return Found(setup)
    try:
        port = _opened(leg, bench, setup)
    except LinkError as error:
        return Found(setup, None, str(error))
    try:
        steps = port.scan()
        port.pump(port.now_ns() + round(seconds * 1e9))
        return Found(setup, steps)
    except (SafetyError, DriveError, LinkError) as error:
        return Found(setup, None, str(error))
    finally:
        try:
            port.close()
        except LegtestError as error:
            click.echo(f"closing the bus: {error}", err=True)


def _opened(leg: LegDescription, bench: BenchDescription, setup: Setup) -> Port:
    """A port that never moves anything."""
    if bench.interface != "simulated":
        from legtest.live import open_unpowered

        return open_unpowered(leg, bench)
    from legtest.cli.played import unpowered_port
    from legtest.wiring import simulated_rig

    return unpowered_port(simulated_rig(leg, bench, seed=1), setup)


def _print(bench: BenchDescription, result: Readiness, found: Found) -> None:
    from legtest.errors import printable

    for step in found.steps or ():
        click.echo(printable(f"  {step.name}: {step.found}"))
    for refusal in result.refusals:
        click.echo(printable(f"not {refusal}"))
    simulated = " (as a live bench)" if bench.interface == "simulated" else ""
    click.echo(f"{bench.name}: ready for {result.grade.words}{simulated}")
    if result.step:
        click.echo(f"cheapest step further: {result.step}")
    click.echo("This is what files, bus and sign-off show. It is no risk assessment: a person decides whether to run.")


def _data(bench: BenchDescription, result: Readiness, enough: bool) -> dict[str, Any]:
    return {
        "bench": bench.name,
        "simulated": bench.interface == "simulated",
        "grade": result.grade.words,
        "enough": enough,
        "allowed_class": result.allowed_class,
        "lift_m": result.lift_m,
        "step": result.step,
        "refusals": [
            refusal._asdict() | {"grade": refusal.grade.words, "effort": refusal.effort.name.lower()}
            for refusal in result.refusals
        ],
    }
