"""What was tested, on what, by whom, and under which conditions, as terms and texts for the first page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from legtest.description.model import INSTRUMENT_KINDS, DriveDescription, LegDescription
from legtest.reports.rows import Row, Sheet
from legtest.units import show

NOT_RECORDED = "not recorded"
_COMPLIANCE = ("stand_",)  # what was measured of the stand itself


class Fact(NamedTuple):
    """One line of a list of terms."""

    term: str
    text: str


class InstrumentLine(NamedTuple):
    """One instrument as people read it."""

    name: str
    quantity: str
    u: str
    by: str
    calibration: str


def leg_facts(found: Sheet) -> list[Fact]:
    """Leg, drives, firmware and configuration."""
    facts = []
    for leg in found.run.header.legs:
        facts.append(Fact("leg", f"{leg.name}, description sha256 {leg.sha256[:16]}…"))
        facts.append(Fact("lengths", _lengths(leg)))
        for joint in leg.joints:
            facts.append(Fact(f"{joint.name} drive", _drive(joint.drive)))
    return facts


def _lengths(leg: LegDescription) -> str:
    g = leg.geometry
    parts = (("hip offset", g.hip_offset_m), ("thigh", g.thigh_m), ("shank", g.shank_m))
    return ", ".join(f"{name} {show(length, 'length')}" for name, length in parts)


def _drive(drive: DriveDescription) -> str:
    said = [f"{drive.protocol}, node {drive.node}"]
    said.append(f"serial {drive.serial}" if drive.serial is not None else "serial not stated")
    for name, number in (("vendor", drive.vendor), ("product", drive.product), ("revision", drive.revision)):
        said += [f"{name} 0x{number:X}"] if number is not None else []
    firmware = f"{drive.declared_firmware} (declared by a person)" if drive.declared_firmware else "not stated"
    stiffness = show(drive.stiffness_Nm_per_rad, "angular_stiffness")
    damping = show(drive.damping_Nms_per_rad, "angular_damping")
    return f"{', '.join(said)}; firmware {firmware}; position loop {stiffness}, {damping}"


def bench_facts(found: Sheet) -> list[Fact]:
    """Bench, stand, and what was measured of the stand."""
    bench = found.run.header.bench
    channel = f" {bench.channel}" if bench.channel else ""
    rates = f"{bench.bit_rate / 1000:g} kbit/s, {bench.rate_hz:g} cycles/s"
    stand = ", ".join(f"{what.replace('_', ' ')}: {how}" for what, how in sorted(bench.stand.measures.items()))
    mass = "none"
    if bench.known_mass_kg is not None:
        mass = f"{show(bench.known_mass_kg, 'mass')}, standard uncertainty {1000 * bench.known_mass_u_kg:.2g} g"
    return [
        Fact("bench", f"{bench.name}: {bench.interface}{channel}, {rates}"),
        Fact("stand", f"{bench.stand.name}; {stand}" if stand else bench.stand.name),
        Fact("stiffness and first mode of the stand", "; ".join(_of_stand(found)) or "not measured in this run"),
        Fact("known mass", mass),
    ]


def _of_stand(found: Sheet) -> Iterator[str]:
    for row in _rows(found):
        if row.measurement.quantity.startswith(_COMPLIANCE):
            unit = f" {row.unit}" if row.unit else ""
            yield f"{row.title} {row.value}{unit}, U {row.expanded}{unit}"


def instrument_lines(found: Sheet) -> list[InstrumentLine]:
    """The instruments beside the drives, each with what its uncertainty rests on, or that nothing is cited."""
    return [
        InstrumentLine(
            each.name, each.quantity.replace("_", " "), show(each.u, INSTRUMENT_KINDS.get(each.quantity, "ratio"), 2),
            "read by a person" if each.by == "person" else f"read over the {each.by}",
            each.calibration or "no calibration cited",
        )
        for each in found.run.header.bench.instruments
    ]  # fmt: skip


def attendance(found: Sheet) -> str:
    """Who was there, and who confirmed how leg and stand were arranged."""
    said = []
    for body in found.run.bodies("attendance"):
        by = str(body.get("by") or "")
        said.append((f"by {by}" if by else "yes, by whom is not recorded") if body.get("attended") is True else "no")
    if not said and found.run.header.mode == "SIMULATED":
        said.append("nobody: simulated")
    hands = sorted({str(b.get("by", "")) for part in found.run.parts for b in part.bodies("setup") if b.get("by")})
    said += [f"arranged by {', '.join(hands)}"] if hands else []
    return "; ".join(dict.fromkeys(said)) or NOT_RECORDED


def condition_facts(found: Sheet, temperatures: Sequence[float]) -> list[Fact]:
    """Load, mounting, temperature, timing and pre-check: the conditions of the test. temperatures: as sampled, degC."""
    run = found.run
    setups = dict.fromkeys(str(b.get("setup", "")) for part in run.parts for b in part.bodies("setup"))
    checks = [body.get("passed") is True for part in run.parts for body in part.bodies("precheck")]
    return [
        Fact("pre-check", f"passed in {sum(checks)} of {len(checks)} sessions" if checks else NOT_RECORDED),
        Fact("mounting", ", ".join(each for each in setups if each) or NOT_RECORDED),
        Fact("temperature", _temperatures(found, temperatures) or NOT_RECORDED),
        Fact("timing", _timing(found) or NOT_RECORDED),
    ]


def _temperatures(found: Sheet, sampled: Sequence[float]) -> str:
    read = list(sampled) or [
        v for row in _rows(found) for name, v in row.measurement.covariates.items() if name.endswith("_degC")
    ]
    return f"drives report {min(read):.1f} to {max(read):.1f} degC" if read else ""


def _timing(found: Sheet) -> str:
    timings = [record.segment.timing for case in found.cases for _, record in case.segments]
    if not timings:
        return ""
    late = max(t.lateness_max_ns for t in timings) / 1e6
    return (
        f"{sum(t.cycles for t in timings)} cycles, latest {late:.3g} ms after its time, "
        f"{sum(t.missed for t in timings)} missed; "
        f"{sum(t.lost for t in timings)} of {sum(t.expected for t in timings)} telemetry frames lost"
    )


def _rows(found: Sheet) -> Iterable[Row]:
    return (row for case in found.cases for row in case.rows)
