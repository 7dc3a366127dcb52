"""`legtest rehearse`: the simulated leg in real time, to rehearse a live run without hardware."""

from __future__ import annotations

import click

_BENCH = "fixtures/benches/rehearsal.yaml"


@click.command()
@click.option("--leg", "leg_file", required=True, metavar="FILE", help="The leg to serve.")
@click.option("--bench", "bench_file", default=_BENCH, show_default=True, metavar="FILE", help="Where to serve it.")
@click.option("--seed", default=0, show_default=True, help="Of the simulated leg.")
@click.option("--leg-fault", "faults", multiple=True, metavar="NAME[@JOINT][=SIZE]", help="Put a fault in; repeatable.")
@click.option("--log", metavar="FILE", help="Write every frame on the wire, and the truth behind it, to a new file.")
def rehearse(leg_file: str, bench_file: str, seed: int, faults: tuple[str, ...], log: str | None) -> None:
    """Serve a simulated leg in real time as a serial CAN adapter.

    A live run against it goes the way it would go with hardware: the same adapter interface, the same pre-check,
    real time. The person of the hand steps is played, and a sign-off is written. Ends with Ctrl-C.

    \b
    Example:
      legtest rehearse --leg fixtures/legs/tarn-fl.yaml
    """
    import gc
    import os
    import signal
    import time
    from contextlib import suppress
    from datetime import UTC, datetime

    from legtest.description import read_bench, read_leg
    from legtest.live import require_linux

    require_linux("a rehearsal")
    from legtest.simulation.faults import parse_fault
    from legtest.simulation.rehearsal import Rehearsal

    ended: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda got, _: ended.append(got))
    leg, bench = read_leg(leg_file), read_bench(bench_file)
    cases = [parse_fault(fault) for fault in faults]
    served = Rehearsal(leg, bench, seed=seed, faults=cases, clock=time.monotonic_ns, now=datetime.now(UTC), log=log)
    with served:
        gc.collect()
        gc.freeze()  # what is there now stays; a full collection would stop the bus for some milliseconds
        with suppress(OSError, AttributeError):  # go before other programs, where the system allows it
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
        click.echo(f"serving {leg.name} (seed {seed}{''.join(f', {case}' for case in cases)}) at {served.channel}")
        click.echo(f"sign-off, valid for 8 hours: {served.signoff}")
        click.echo(
            f"to run a suite against it:\n  pytest suites/acceptance --leg {leg_file} --bench {bench_file} "
            f"--live --signoff {served.signoff}"
        )
        click.echo("Ctrl-C ends it")
        served.serve(lambda: bool(ended))
    click.echo("ended")
