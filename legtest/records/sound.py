"""What the types of a record cannot say: that its parts fit each other. Asked when a record is read."""

from __future__ import annotations

from math import isfinite

from legtest.canbus.wiremap import Signal, WireMap
from legtest.description.model import LegDescription
from legtest.errors import RecordError
from legtest.metrology.verdict import Verdict
from legtest.records.trace import COMMAND_COLUMNS, UNITS
from legtest.units import KINDS

_HIGHEST_ID = 0x1FFFFFFF
_LARGEST = 1e12  # of a length, a factor, or a scale in SI units for one count
_LARGEST_VALUE = 1e100  # whose square is still a number


def check_leg(leg: LegDescription, where: str) -> None:
    """Raises RecordError for a leg whose numbers are none, or whose coupling does not fit its joints."""
    names = leg.joint_names
    if not names or len(set(names)) != len(names):
        raise RecordError(f"{where}: a leg without joints, or with two of one name")
    if len(leg.coupling) != len(names) or any(len(row) != len(names) for row in leg.coupling):
        raise RecordError(f"{where}: a coupling that is not {len(names)} by {len(names)}")
    geometry = leg.geometry
    numbers = [x for row in leg.coupling for x in row]
    numbers += [geometry.hip_offset_m, geometry.thigh_m, geometry.shank_m, leg.decision.coverage]
    if not all(abs(x) < _LARGEST for x in numbers) or not 0 < leg.decision.coverage < 1:
        raise RecordError(f"{where}: a length, a coupling or a coverage that no leg has")


def check_wiremaps(wiremaps: tuple[WireMap, ...], where: str) -> None:
    """Raises RecordError for maps that no frame can follow."""
    if len({wiremap.axis for wiremap in wiremaps}) != len(wiremaps):
        raise RecordError(f"{where}: two axes of one name")
    for wiremap in wiremaps:
        for signals, roles in ((wiremap.feedback, UNITS), (wiremap.command, COMMAND_COLUMNS)):
            if len({signal.role for signal in signals}) != len(signals):
                raise RecordError(f"{where}: axis {wiremap.axis}: two signals of one role")
            for signal in signals:
                if signal.role not in roles or not _fits_a_frame(signal):
                    raise RecordError(f"{where}: axis {wiremap.axis}: no signal of a frame: {str(signal)[:120]}")
        if all(signal.role != "position" for signal in wiremap.feedback):
            raise RecordError(f"{where}: axis {wiremap.axis}: no frame brings its position")


def _fits_a_frame(signal: Signal) -> bool:
    return (
        0 <= signal.can_id <= _HIGHEST_ID
        and signal.start_bit >= 0
        and signal.bits >= 1
        and signal.start_bit + signal.bits <= 64
        and abs(signal.scale) < _LARGEST
        and abs(signal.offset) < _LARGEST
    )


def check_verdict(verdict: Verdict, where: str) -> None:
    """Raises RecordError for a value of a kind that does not exist, or with an uncertainty that none has."""
    m, limit = verdict.measurement, verdict.limit
    for kind in (m.kind, *([limit.kind] if limit else [])):
        if kind not in KINDS:
            raise RecordError(f"{where}: there is no kind of value {kind[:40]!r}")
    numbers = [m.value, m.u, *(line.u for line in m.budget)]
    numbers += [x for x in (limit.low, limit.high) if x is not None] if limit else []
    if any(isfinite(x) and abs(x) > _LARGEST_VALUE for x in numbers):
        raise RecordError(f"{where}: a number larger than {_LARGEST_VALUE:g}")
    if m.u < 0 or (isfinite(m.u) and not m.dof > 0):
        raise RecordError(f"{where}: u {m.u:g} with {m.dof:g} degrees of freedom is no uncertainty")
