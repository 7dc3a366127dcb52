"""Recorded numbers as phrases: names with a unit suffix ("torque_Nm": 2.2) become "torque 2.2 N*m"."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from legtest.description.model import INSTRUMENT_KINDS
from legtest.records.segment import Timing
from legtest.units import show

# Suffix of a name inside the program -> kind, longest first.
_SUFFIXES = (
    ("_Nm_per_rad", "angular_stiffness"),
    ("_Nms_per_rad", "angular_damping"),
    ("_rad_s", "angular_velocity"),
    ("_rad", "angle"),
    ("_Nm", "torque"),
    ("_m_s", "velocity"),
    ("_degC", "temperature"),
    ("_kg", "mass"),
    ("_Hz", "frequency"),
    ("_N", "force"),
    ("_V", "voltage"),
    ("_m", "length"),
    ("_s", "time"),
)
_MOST_READINGS = 12


def argument_text(arguments: Mapping[str, Any]) -> str:
    """All arguments of a segment in one phrase, by name."""
    return ", ".join(
        _readings(arguments[name]) if name == "readings" else _phrase(name, arguments[name])
        for name in sorted(arguments)
    )


def covariate_text(covariates: Mapping[str, float]) -> str:
    """What else was true while it was measured, in one phrase."""
    return f"Measured at {argument_text(covariates)}" if covariates else ""


def timing_text(timing: Timing) -> str:
    """How well the host kept time, in one phrase."""
    return (
        f"{timing.cycles} cycles of {timing.period_ns / 1e6:g} ms; lateness 99 % "
        f"{timing.lateness_p99_ns / 1e6:.3g} ms, largest {timing.lateness_max_ns / 1e6:.3g} ms; "
        f"{timing.missed} missed; {timing.lost} of {timing.expected} telemetry frames lost"
    )


def _readings(readings: Any) -> str:
    """What instruments showed: "read: rail height 520 mm (u 0.1 mm), ..."."""
    said = []
    for each in readings if isinstance(readings, list) else []:
        kind = INSTRUMENT_KINDS.get(str(each.get("quantity"))) if isinstance(each, dict) else None
        numbers = [each.get(key) for key in ("value", "u")] if kind else []
        if kind and all(isinstance(x, int | float) and not isinstance(x, bool) for x in numbers):
            value, u = (show(float(x), kind, digits) for x, digits in zip(numbers, (5, 2), strict=True))
            said.append(f"{_words(str(each['quantity']))} {value} (u {u})")
        else:
            said.append(_plain(each))
    more = ", ..." if len(said) > _MOST_READINGS else ""
    return f"read: {', '.join(said[:_MOST_READINGS])}{more}"


def _phrase(name: str, value: Any) -> str:
    for suffix, kind in _SUFFIXES:
        if name.endswith(suffix):
            return f"{_words(name.removesuffix(suffix))} {_with_unit(value, kind)}"
    return f"{_words(name)} {_plain(value)}"


def _with_unit(value: Any, kind: str) -> str:
    if isinstance(value, list):
        return ", ".join(_with_unit(each, kind) for each in value[:12]) + (", ..." if len(value) > 12 else "")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return show(float(value), kind)
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return text if len(text) <= 200 else text[:200] + "..."


def _words(name: str) -> str:
    return name.replace("_", " ")
