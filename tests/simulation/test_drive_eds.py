"""fixtures/drives/axis.eds is the drive: every object it lists is served with its type, access and default."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from pathlib import Path

import canopen
import pytest
from canopen.objectdictionary import ODVariable
from drive_host import NODE, Aborted, Bench

from legtest.simulation.node import DriveConfig
from legtest.simulation.objects import ROWS

EDS = Path(__file__).parents[2] / "fixtures" / "drives" / "axis.eds"


def variables() -> Iterator[ODVariable]:
    for item in canopen.import_od(str(EDS), NODE).values():
        if isinstance(item, ODVariable):
            yield item
        else:
            yield from item.values()


def test_an_independent_reader_takes_it_without_a_warning(caplog: pytest.LogCaptureFixture) -> None:
    with warnings.catch_warnings(), caplog.at_level(logging.WARNING):
        warnings.simplefilter("error")
        canopen.import_od(str(EDS), NODE)
    assert caplog.records == []


def test_it_lists_all_objects_and_no_other() -> None:
    assert {(v.index, v.subindex) for v in variables()} == {(row.index, row.sub) for row in ROWS}


def test_every_object_is_served_as_listed() -> None:
    bench = Bench(config=DriveConfig(rated_torque_Nm=6.0, peak_torque_Nm=18.0))
    checked = 0
    for variable in variables():
        where = f"0x{variable.index:04X}:{variable.subindex} {variable.name}"
        request = bytes((0x40,)) + variable.index.to_bytes(2, "little") + bytes((variable.subindex, 0, 0, 0, 0))
        answer = bench.request(request)
        if isinstance(variable.default, str):
            assert answer[0] == 0x43 | (4 - len(variable.default)) << 2 or answer[0] == 0x41, where
        else:
            assert answer[0] == 0x43 | (4 - len(variable) // 8) << 2, where
            value = int.from_bytes(answer[4 : 4 + len(variable) // 8], "little", signed=variable.data_type in (2, 3, 4))
            if variable.default is not None:
                assert value == variable.default, where
                checked += 1
    assert checked > 90


def test_access_is_as_listed() -> None:
    """Writing back what was read succeeds exactly where the file says rw (or is refused for another reason)."""
    bench = Bench()
    read_only = 0x06010002
    for variable in variables():
        if isinstance(variable.default, str):
            size, value = 4, 0
        else:
            size = len(variable) // 8
            value = bench.read(variable.index, variable.subindex)
        try:
            bench.write(variable.index, variable.subindex, size, value)
            code = 0
        except Aborted as refused:
            code = refused.args[0]
        assert (code == read_only) == (variable.access_type != "rw"), f"0x{variable.index:04X}:{variable.subindex}"


def test_mappable_is_as_listed() -> None:
    bench = Bench()
    bench.write(0x1801, 1, 4, 0x80000285)
    for variable in variables():
        if isinstance(variable.default, str):
            continue
        entry = variable.index << 16 | variable.subindex << 8 | len(variable)
        try:
            bench.write(0x1A01, 1, 4, entry)
            code = 0
        except Aborted as refused:
            code = refused.args[0]
        expected = 0 if variable.pdo_mappable else 0x06040041
        assert code == expected, f"0x{variable.index:04X}:{variable.subindex}"
