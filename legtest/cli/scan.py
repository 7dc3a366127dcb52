"""`legtest scan`: what is on a bench's CAN bus, by listening and by reads alone?"""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from legtest.canbus.link import Link
    from legtest.description.model import BenchDescription, LegDescription
    from legtest.scan import Expected, Scan


@click.command()
@click.option("--bench", "bench_file", required=True, metavar="FILE", help="The bench.")
@click.option("--leg", "leg_file", metavar="FILE", help="The leg that should be on it; needed on a simulated bench.")
@click.option(
    "--listen", "seconds", type=click.FloatRange(0.1, 600.0), default=2.0, show_default=True, metavar="SECONDS",
    help="Listen so long before anything is asked.",
)  # fmt: skip
@click.option("--ask/--no-ask", "may_ask", default=None, help="Ask also on a bus with others' traffic; never ask.")
@click.option("--clock", metavar="FREQUENCY", help="Of a CAN controller: print its bit timing for this bench.")
@click.option("--json", "as_json", is_flag=True, help="Print data.")
@click.pass_context
def scan(
    ctx: click.Context, bench_file: str, leg_file: str | None, seconds: float, may_ask: bool | None,
    clock: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Say what is on a bench's CAN bus, and what is wrong with it.

    Listens first, then asks every node id who it is, with requests that only read. Nothing is energised or written.
    Exit code 1 when something is wrong. Ends with a piece of leg file for the drives that answered.

    \b
    legtest scan --bench benches/streams.yaml
    """
    import json

    from legtest.description import read_bench, read_leg

    bench = read_bench(bench_file)
    leg = read_leg(leg_file) if leg_file is not None else None
    timing = _timing(bench, clock) if clock is not None else ""
    result = _scanned(bench, leg, round(seconds * 1e9), may_ask)
    if as_json:
        click.echo(json.dumps(_data(bench, result, timing), indent=2))
    else:
        _print(bench, result, timing)
    ctx.exit(1 if result.findings else 0)


def _timing(bench: BenchDescription, clock: str) -> str:
    from legtest.canbus.bit_timing import bit_timing
    from legtest.errors import UsageError
    from legtest.units import parse

    try:
        clock_Hz = parse(clock, "frequency")
    except ValueError as error:
        raise UsageError(f"--clock: {error}") from error
    return str(bit_timing(round(clock_Hz), bench.bit_rate))


def _scanned(bench: BenchDescription, leg: LegDescription | None, listen_ns: int, may_ask: bool | None) -> Scan:
    from functools import partial

    from legtest.live import listens_unseen
    from legtest.scan import scan_bus

    unseen = bench.interface != "simulated" and listens_unseen(bench)
    opened = partial(_opened, bench, leg)
    return scan_bus(opened, bench.bit_rate, listen_ns, unseen=unseen, may_ask=may_ask, expected=_expected(leg))


def _opened(bench: BenchDescription, leg: LegDescription | None, listen_only: bool) -> AbstractContextManager[Link]:
    from contextlib import closing

    from legtest.errors import UsageError
    from legtest.live import opened_to_read

    if bench.interface != "simulated":
        return opened_to_read(bench, listen_only=listen_only)
    if leg is None:
        raise UsageError(f"{bench.path}: bus.interface: simulated: a simulated bus needs the leg that is on it: --leg")
    from legtest.wiring import simulated_rig

    return closing(simulated_rig(leg, bench, seed=1).link)


def _expected(leg: LegDescription | None) -> tuple[Expected, ...]:
    from legtest.scan import Expected

    if leg is None:
        return ()
    return tuple(
        Expected(joint.name, d.node, (d.vendor, d.product, d.revision, d.serial))
        for joint in leg.joints
        for d in (joint.drive,)
    )


def _print(bench: BenchDescription, result: Scan, timing: str) -> None:
    from legtest.errors import printable
    from legtest.scan import proposal

    heard = result.heard
    click.echo(
        f"{bench.name}: listened {heard.span_s:g} s at {bench.bit_rate / 1000:g} kbit/s: {heard.frames} frames, "
        f"bus load {heard.load:.1%}"
    )
    for seen in heard.seen:
        node = f" node {seen.node}" if seen.node is not None else ""
        every = f", each {seen.period_s * 1000:.4g} ms" if seen.period_s is not None else ""
        number = f"0x{seen.can_id:0{8 if seen.extended else 3}X}"
        click.echo(f"  {number}  {seen.kind}{node}: {seen.frames} frames{every}, load {seen.share:.2%}")
    if result.unasked:
        click.echo(f"nobody was asked: {result.unasked}")
    for row in _nodes(result):
        click.echo(printable("  " + ", ".join(f"{key} {value}" for key, value in row.items() if value is not None)))
    if timing:
        click.echo(f"bit timing for the sample point of CiA 301: {timing}")
    for finding in result.findings:
        click.echo(printable(str(finding)))
    piece = proposal(result.asked or ())
    if piece:
        click.echo(printable(f"\n# for a leg file, from {bench.name}:\n{piece}"), nl=False)
    if not result.findings:
        click.echo("nothing wrong was seen on the bus, which says nothing about leg, stand and guards")


def _nodes(result: Scan) -> list[dict[str, Any]]:
    """A row for each node that was heard or has answered."""
    from legtest.scan.listen import STATES

    asked = {each.node: each for each in result.asked or ()}
    rows: list[dict[str, Any]] = []
    for node in sorted(result.heard.nodes | asked.keys()):
        each = asked.get(node)
        code = result.heard.states.get(node, each.guarded if each else None)
        row: dict[str, Any] = {"node": node, "state": "unknown" if code is None else STATES.get(code, f"0x{code:02X}")}
        if each is not None and each.identities:
            vendor, product, revision, serial = each.identities[0]
            row |= {"vendor": vendor, "product": product, "revision": revision, "serial": serial}
            row |= {"doubled": True if each.doubled else None, **each.texts}
            row["error_register"] = each.numbers.get("error_register")
        rows.append(row)
    return rows


def _data(bench: BenchDescription, result: Scan, timing: str) -> dict[str, Any]:
    from legtest.scan import proposal

    heard = result.heard
    return {
        "bench": bench.name,
        "bit_rate": bench.bit_rate,
        "bit_timing": timing or None,
        "listened_s": heard.span_s,
        "frames": heard.frames,
        "load": heard.load,
        "ids": [seen._asdict() for seen in heard.seen],
        "errors": dict(result.whole.errors),
        "emergencies": [each._asdict() for each in result.whole.emergencies],
        "nodes": _nodes(result),
        "asked": result.asked is not None,
        "not_asked": result.unasked or None,
        "findings": [finding._asdict() for finding in result.findings],
        "leg_file": proposal(result.asked or ()) or None,
    }
