"""Units: factors against pint (an independent library), wording of refusals, and the round trip as a law."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legtest import units
from legtest.units import UnitError, in_unit, parse, show

ALL_UNITS = [(kind, unit) for kind in units.KINDS for unit in units.units_of(kind)]


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


@pytest.mark.parametrize(("kind", "unit"), [pair for pair in ALL_UNITS if pair[0] != "temperature"])
def test_factor_equals_pint(registry: pint.UnitRegistry, kind: str, unit: str) -> None:
    si = units.units_of(kind)[0]
    spelling = {"/s": "1/s", "%": "percent", "1": "dimensionless"}
    ours = parse(f"1 {unit}", kind)
    theirs = registry.Quantity(1, spelling.get(unit, unit)).to(spelling.get(si, si)).magnitude
    assert ours == pytest.approx(theirs, rel=1e-14)


def test_si_units_are_coherent(registry: pint.UnitRegistry) -> None:
    """The first unit of a kind is the SI base unit or a coherent product of them (rad counts as 1)."""
    for kind in units.KINDS:
        si = units.units_of(kind)[0]
        if kind in ("temperature", "ratio", "bit_rate"):
            continue
        assert registry.Quantity(1, si).to_base_units().magnitude == pytest.approx(1.0)


@pytest.mark.parametrize(("kind", "unit"), ALL_UNITS)
@given(value=st.floats(-1e9, 1e9))
def test_round_trip(kind: str, unit: str, value: float) -> None:
    assert in_unit(parse(f"{value!r} {unit}", kind), unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


def test_no_unit_has_two_meanings() -> None:
    names = [unit for _, unit in ALL_UNITS]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [("172 mm", "length", 0.172), ("0.6 ms", "time", 0.0006), ("95 %", "ratio", 0.95), ("61mm", "length", 0.061)],
)
def test_decimal_prefixes_give_the_nearest_float(text: str, kind: str, value: float) -> None:
    assert parse(text, kind) == value


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("9 Nm", "torque", 9.0),
        ("9 N·m", "torque", 9.0),
        ("90 °", "angle", math.pi / 2),
        ("60 °C", "temperature", 60.0),
        ("470 µF", "capacitance", 470e-6),
        ("2 kg*m²", "inertia", 2.0),
        ("0.2 Ω", "resistance", 0.2),
        ("  -.5e1  rad ", "angle", -5.0),
        ("250 /s", "frequency", 250.0),
        ("250 1/s", "frequency", 250.0),
        ("0.1", "ratio", 0.1),
        ("-25 %", "ratio", -0.25),
        ("60 rpm", "angular_velocity", 2 * math.pi),
    ],
)
def test_spellings(text: str, kind: str, value: float) -> None:
    assert parse(text, kind) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("6 N*m", "angle", "'6 N*m': 'N*m' is not a unit of angle (use rad, mrad, deg)"),
        ("14", "current", '14 has no unit: write a current like "9 A"'),
        ("35", "angle", '35 has no unit: write an angle like "35 deg"'),
        ("nan rad", "angle", "'nan rad' is not an angle: write a number with its unit, like \"35 deg\""),
        ("inf %", "ratio", "'inf %' is not a ratio: write a number with its unit, like \"5 %\""),
        ("1e400 N", "force", "'1e400 N' is too large to be a force"),
        ("1e308 kN", "force", "'1e308 kN' is too large to be a force"),
        ("0,6 deg", "angle", "'0,6 deg' is not an angle: write a decimal point, not a comma, like \"35 deg\""),
        ("", "mass", "'' is not a mass: write a number with its unit, like \"0.9 kg\""),
        ("1_000 mm", "length", "'1_000 mm': '_000 mm' is not a unit of length (use m, mm, cm, um)"),
        ("9 nm", "torque", "'9 nm': 'nm' is not a unit of torque (use N*m, mN*m)"),
        ("20 deg/s", "frequency", "'20 deg/s': 'deg/s' is not a unit of frequency (use Hz, kHz, MHz, /s, 1/s)"),
        ("٣ deg", "angle", "'٣ deg' is not an angle: write a number with its unit, like \"35 deg\""),
    ],
)
def test_refusals(text: str, kind: str, message: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, kind)
    assert str(caught.value) == message


def test_unknown_kind_and_unit() -> None:
    with pytest.raises(UnitError, match="there is no kind of value 'speed'; the kinds are length, "):
        parse("1 m/s", "speed")
    with pytest.raises(UnitError, match="'furlong' is not a unit"):
        in_unit(1.0, "furlong")


@given(st.text(max_size=200), st.sampled_from(units.KINDS))
def test_any_text_is_a_finite_value_or_a_unit_error(text: str, kind: str) -> None:
    value, message = 0.0, ""
    try:
        value = parse(text, kind)
    except UnitError as error:
        message = str(error)
    assert math.isfinite(value)
    assert message == "" or (message.isprintable() and len(message) < 400)


@pytest.mark.parametrize(
    ("value", "kind", "digits", "text"),
    [
        (math.radians(0.62), "angle", 3, "0.62 deg"),
        (0.0041, "length", 3, "4.1 mm"),
        (0.012, "time", 3, "12 ms"),
        (0.0331, "ratio", 2, "0.033"),
        (12345.6, "stiffness", 3, "12346 N/m"),
        (-0.0, "torque", 3, "0 N*m"),
        (9.0, "torque", 3, "9 N*m"),
        (math.nan, "force", 3, "nan N"),
        (1e-9, "force", 3, "1.00e-09 N"),
    ],
)
def test_show(value: float, kind: str, digits: int, text: str) -> None:
    assert show(value, kind, digits) == text


@given(st.floats(1e-4, 1e6), st.sampled_from(units.KINDS))
def test_show_can_be_parsed_back(value: float, kind: str) -> None:
    assert parse(show(value, kind, 6), kind) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize("kind", units.KINDS)
def test_examples_are_values(kind: str) -> None:
    assert parse(units.example(kind), kind) > 0
    assert units.display_unit(kind) in units.units_of(kind)
