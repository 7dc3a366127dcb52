"""Text with a unit to an SI number and back: "9 N*m" in, 9.0 inside, "9 N*m" out.

Every value has a kind (torque, angle, ...) and takes that kind's units only, so that an angle can never be read
as a torque although both are N*m/N*m to a dimension checker. SI inside, except temperature, which stays in degC.
"""

from __future__ import annotations

import math
import re


class UnitError(ValueError):
    """A text is not a value of the kind that was asked for; the message says what is allowed."""


_DEG = math.radians(1.0)

# kind -> (example, {unit: (multiply, divide)}): SI = number * multiply / divide. The first unit is the SI unit.
# Decimal prefixes are whole multipliers or divisors, so "172 mm" is 172 / 1000, the float nearest to 0.172.
_KINDS: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    "length": ("172 mm", {"m": (1, 1), "mm": (1, 1000), "cm": (1, 100), "um": (1, 1_000_000)}),
    "angle": ("35 deg", {"rad": (1, 1), "mrad": (1, 1000), "deg": (_DEG, 1)}),
    "mass": ("0.9 kg", {"kg": (1, 1), "g": (1, 1000)}),
    "time": ("20 ms", {"s": (1, 1), "ms": (1, 1000), "us": (1, 1_000_000), "min": (60, 1), "h": (3600, 1)}),
    "force": ("10 N", {"N": (1, 1), "mN": (1, 1000), "kN": (1000, 1)}),
    "torque": ("9 N*m", {"N*m": (1, 1), "mN*m": (1, 1000)}),
    "angular_velocity": (
        "12 rad/s",
        {"rad/s": (1, 1), "mrad/s": (1, 1000), "deg/s": (_DEG, 1), "rpm": (2 * math.pi, 60)},
    ),
    "velocity": ("0.5 m/s", {"m/s": (1, 1), "mm/s": (1, 1000)}),
    "angular_acceleration": ("40 rad/s^2", {"rad/s^2": (1, 1), "deg/s^2": (_DEG, 1)}),
    "stiffness": ("20 N/mm", {"N/m": (1, 1), "N/mm": (1000, 1), "kN/m": (1000, 1)}),
    "angular_stiffness": ("150 N*m/rad", {"N*m/rad": (1, 1), "N*m/mrad": (1000, 1), "N*m/deg": (1, _DEG)}),
    "angular_damping": ("2.5 N*m*s/rad", {"N*m*s/rad": (1, 1), "N*m*s/deg": (1, _DEG)}),
    "damping": ("20 N*s/m", {"N*s/m": (1, 1), "N*s/mm": (1000, 1)}),
    "inertia": ("0.01 kg*m^2", {"kg*m^2": (1, 1), "kg*cm^2": (1, 10_000), "g*cm^2": (1, 10_000_000)}),
    "temperature": ("60 degC", {"degC": (1, 1)}),
    "temperature_difference": ("20 K", {"K": (1, 1)}),
    "voltage": ("24 V", {"V": (1, 1), "mV": (1, 1000)}),
    "current": ("9 A", {"A": (1, 1), "mA": (1, 1000)}),
    "ratio": ("5 %", {"1": (1, 1), "%": (1, 100)}),
    "frequency": ("250 /s", {"Hz": (1, 1), "kHz": (1000, 1), "MHz": (1_000_000, 1), "/s": (1, 1), "1/s": (1, 1)}),
    "bit_rate": ("1 Mbit/s", {"bit/s": (1, 1), "kbit/s": (1000, 1), "Mbit/s": (1_000_000, 1)}),
    "torque_constant": ("0.8 N*m/A", {"N*m/A": (1, 1), "mN*m/A": (1, 1000)}),
    "resistance": ("0.2 ohm", {"ohm": (1, 1), "mohm": (1, 1000)}),
    "capacitance": ("470 uF", {"F": (1, 1), "mF": (1, 1000), "uF": (1, 1_000_000)}),
    "power": ("120 W", {"W": (1, 1), "mW": (1, 1000), "kW": (1000, 1)}),
    "energy": ("4 J", {"J": (1, 1), "mJ": (1, 1000), "kJ": (1000, 1)}),
}
KINDS = tuple(_KINDS)

_UNITS = {unit: factors for _, units in _KINDS.values() for unit, factors in units.items()}
_DISPLAY = {"angle": "deg", "length": "mm", "time": "ms"}
_SPELLINGS = (
    ("\N{MIDDLE DOT}", "*"),
    ("\N{DOT OPERATOR}", "*"),
    ("Nm", "N*m"),
    ("\N{SUPERSCRIPT TWO}", "^2"),
    ("\N{DEGREE SIGN}C", "degC"),
    ("\N{DEGREE SIGN}", "deg"),
    ("\N{GREEK SMALL LETTER MU}", "u"),
    ("\N{MICRO SIGN}", "u"),
    ("\N{GREEK CAPITAL LETTER OMEGA}", "ohm"),
    ("\N{OHM SIGN}", "ohm"),
)
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_VALUE = re.compile(rf"({NUMBER})\s*(.*)", re.DOTALL)


def parse(text: str, kind: str) -> float:
    """The SI value of a text such as "35 deg" (temperature: degC).

    A ratio may be a bare number or a percentage; every other kind needs its unit. "Nm", a middle dot or a degree
    sign are read as "N*m", "*" and "deg".
    Raises UnitError when the text is no finite number with a unit of this kind, or the kind does not exist.
    """
    example, units = _kind(kind)
    stripped = text.strip()
    match = _VALUE.fullmatch(stripped)
    if match is None or "," in stripped:
        hint = "a decimal point, not a comma" if "," in stripped else "a number with its unit"
        raise UnitError(f"'{clip(text)}' is not {_a(kind)}: write {hint}, like \"{example}\"")
    number, unit = match.groups()
    for spelling, ours in _SPELLINGS:
        unit = unit.replace(spelling, ours)
    if not unit:
        if kind != "ratio":
            raise UnitError(f'{clip(stripped)} has no unit: write {_a(kind)} like "{example}"')
        unit = "1"
    if unit not in units:
        raise UnitError(f"'{clip(text)}': '{clip(unit)}' is not a unit of {_words(kind)} (use {', '.join(units)})")
    multiply, divide = units[unit]
    value = float(number) * multiply / divide
    if not math.isfinite(value):
        raise UnitError(f"'{clip(text)}' is too large to be {_a(kind)}")
    return value


def units_of(kind: str) -> tuple[str, ...]:
    """The units a kind may be written in, the SI unit first; UnitError for an unknown kind."""
    return tuple(_kind(kind)[1])


def example(kind: str) -> str:
    """A value of this kind as people write it: "35 deg"; UnitError for an unknown kind."""
    return _kind(kind)[0]


def display_unit(kind: str) -> str:
    """The unit people read a kind in: deg, mm and ms, "1" for a ratio, else the SI unit. UnitError: unknown kind."""
    return _DISPLAY.get(kind) or units_of(kind)[0]


def in_unit(value_si: float, unit: str) -> float:
    """An SI value as a number of `unit`: in_unit(0.172, "mm") = 172.0. UnitError for an unknown unit."""
    if unit not in _UNITS:
        raise UnitError(f"'{unit}' is not a unit; the units are {', '.join(_UNITS)}")
    multiply, divide = _UNITS[unit]
    return value_si * divide / multiply


def show(value_si: float, kind: str, digits: int = 3) -> str:
    """An SI value as people read it, with its display unit: show(0.0108, "angle") = "0.619 deg".

    digits: significant digits; trailing zeros are dropped and digits before the decimal point always kept.
    A ratio has no unit text.
    """
    unit = display_unit(kind)
    text = _digits(in_unit(value_si, unit), digits)
    return text if unit == "1" else f"{text} {unit}"


def _digits(value: float, digits: int) -> str:
    if value == 0 or not math.isfinite(value):
        return f"{abs(value) if value == 0 else value:g}"
    exponent = math.floor(math.log10(abs(value)))
    if not -6 <= exponent < 15:
        return f"{value:.{digits - 1}e}"
    text = f"{value:.{max(0, digits - 1 - exponent)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _kind(kind: str) -> tuple[str, dict[str, tuple[float, float]]]:
    try:
        return _KINDS[kind]
    except KeyError:
        raise UnitError(f"there is no kind of value '{kind}'; the kinds are {', '.join(_KINDS)}") from None


def _words(kind: str) -> str:
    return kind.replace("_", " ")


def _a(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {_words(kind)}"


def clip(text: str) -> str:
    """The beginning of a text, printable, for a message."""
    return "".join(c if c.isprintable() else "?" for c in text[:60]) + ("..." if len(text) > 60 else "")
