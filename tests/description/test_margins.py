"""Margins among the criteria, and firmware that a person declares."""

from __future__ import annotations

from collections.abc import Callable
from math import radians
from pathlib import Path

import pytest
from good_leg import LEG

from legtest.description import read_leg
from legtest.errors import DescriptionError

Write = Callable[..., Path]


def leg_with(line: str, old: str = '  backlash: {at_most: "0.5 deg"}\n') -> str:
    assert LEG.count(old) == 1
    return LEG.replace(old, line)


@pytest.mark.parametrize(
    ("line", "low", "high", "margin"),
    [
        ('  backlash: {at_most: "0.5 deg", margin: "0.1 deg"}\n', None, 0.5, 0.1),
        ('  backlash: {margin: "0.1 deg"}\n', None, None, 0.1),
        ('  backlash: {margin: "0.1 deg", between: ["0 deg", "1 deg"]}\n', 0.0, 1.0, 0.1),
        ('  backlash: {at_least: "0.5 deg"}\n', 0.5, None, None),
    ],
)
def test_a_margin_stands_beside_a_limit_or_alone(
    write: Write, line: str, low: float | None, high: float | None, margin: float | None
) -> None:
    limit = read_leg(write(leg_with(line))).criteria.leg["backlash"]
    for found, degrees in ((limit.low, low), (limit.high, high), (limit.margin, margin)):
        assert found == (None if degrees is None else pytest.approx(radians(degrees)))


def test_an_own_quantity_has_one_as_well(write: Write) -> None:
    text = LEG.replace('{kind: force, at_least: "3 N"}', '{kind: force, margin: "1 N"}')
    assert read_leg(write(text)).criteria.leg["cable_pull"].margin == 1.0


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('  backlash: {at_most: "0.5 deg", margin: "0 deg"}\n', "'0 deg' must be more than zero"),
        ('  backlash: {margin: "-1 deg"}\n', "'-1 deg' must be more than zero"),
        ('  backlash: {margin: "1 N"}\n', "'N' is not a unit of angle"),
        ('  backlash: {margin: ["1 deg"]}\n', "found a list"),
        ('  backlash: {marign: "1 deg"}\n', "beside it or alone, how far it may move: margin"),
        ('  backlash: {at_most: "1 deg", at_least: "0 deg", margin: "1 deg"}\n', "expected one limit"),
        ("  backlash: {}\n", "expected one limit"),
    ],
)
def test_what_is_no_margin(write: Write, line: str, said: str) -> None:
    with pytest.raises(DescriptionError, match=r"leg.yaml:35:.*criteria.backlash") as refused:
        read_leg(write(leg_with(line)))
    assert said in str(refused.value)


def test_firmware_is_declared_by_a_person(write: Write) -> None:
    text = LEG.replace("      node: 2\n", '      node: 2\n      declared_firmware: "1.8.2, gains of 2031-02"\n')
    leg = read_leg(write(text))
    assert [joint.drive.declared_firmware for joint in leg.joints] == ["", "1.8.2, gains of 2031-02"]
