"""The power state machine, against tests/references/canopen/cia402.yaml (CiA 402-2 / IEC 61800-7-201)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from analytic_axis import AnalyticAxis
from drive_host import MS, Bench, running

from legtest.simulation.state import TRANSITIONS, Command, State, command_of

CIA402 = yaml.safe_load(
    (Path(__file__).parents[1] / "references" / "canopen" / "cia402.yaml").read_text(encoding="utf-8")
)
NAMES = {
    "not ready to switch on": State.NOT_READY,
    "switch on disabled": State.SWITCH_ON_DISABLED,
    "ready to switch on": State.READY,
    "switched on": State.SWITCHED_ON,
    "operation enabled": State.OPERATION_ENABLED,
    "quick stop active": State.QUICK_STOP_ACTIVE,
    "fault reaction active": State.FAULT_REACTION_ACTIVE,
    "fault": State.FAULT,
}
BY_COMMAND = {int(t["n"]): t for t in CIA402["transitions"] if int(t["n"]) in {*range(2, 13), 16}}


@pytest.mark.parametrize("row", CIA402["statusword_states"], ids=lambda row: row["state"])
def test_masks_tell_each_state_from_all_others(row: dict[str, Any]) -> None:
    mask, value = int(row["mask"], 16), int(row["value"], 16)
    assert {state for state in State if state & mask == value} == {NAMES[row["state"]]}


def test_commands() -> None:
    for text, command in (
        ("shutdown", Command.SHUTDOWN),
        ("switch on", Command.SWITCH_ON),
        ("disable operation", Command.SWITCH_ON),
        ("enable operation", Command.ENABLE_OPERATION),
        ("quick stop", Command.QUICK_STOP),
        ("disable voltage", Command.DISABLE_VOLTAGE),
    ):
        row = CIA402["controlword_commands"][text]
        mask, value = int(row["mask"], 16), int(row["value"], 16)
        matching = {word for word in range(256) if word & mask == value}
        assert matching == {word for word in range(256) if command_of(word) is command}


def test_transitions_are_those_of_the_standard() -> None:
    words = {
        "shutdown": {Command.SHUTDOWN},
        "switch on": {Command.SWITCH_ON, Command.ENABLE_OPERATION},  # 3; with enable operation, 4 follows by itself
        "enable operation": {Command.ENABLE_OPERATION},
        "disable operation": {Command.SWITCH_ON},
        "disable voltage": {Command.DISABLE_VOLTAGE},
        "disable voltage or quick stop": {Command.DISABLE_VOLTAGE, Command.QUICK_STOP},
        "quick stop": {Command.QUICK_STOP},
    }
    expected = set()
    for n, row in BY_COMMAND.items():
        event = row["event"]
        commands = {12: {Command.DISABLE_VOLTAGE}, 16: {Command.ENABLE_OPERATION}}.get(n) or words[event]
        expected |= {(NAMES[row["start"]], command, NAMES[row["end"]]) for command in commands}
    assert {(start, command, end) for (start, command), end in TRANSITIONS.items()} == expected


def test_bring_up_gives_the_typical_statuswords() -> None:
    bench = Bench()
    bench.configure()
    typical = CIA402["typical_statuswords"]
    assert bench.node.statusword() == int(typical["switch on disabled"], 16)
    # CiA 402 for cyclic modes: bit 12 = drive follows the command.
    for word, name, mode_bits in ((6, "ready", 0), (7, "switched on", 0), (15, "operation enabled", 0x1000)):
        bench.control(word)
        assert bench.node.statusword() == int(typical[name], 16) | mode_bits


WAYS = {  # controlwords that lead to a state
    State.SWITCH_ON_DISABLED: [],
    State.READY: [6],
    State.SWITCHED_ON: [6, 7],
    State.OPERATION_ENABLED: [6, 7, 15],
    State.QUICK_STOP_ACTIVE: [6, 7, 15, 2],
}
WORD = {
    Command.SHUTDOWN: 6,
    Command.SWITCH_ON: 7,
    Command.ENABLE_OPERATION: 15,
    Command.DISABLE_VOLTAGE: 0,
    Command.QUICK_STOP: 2,
}


@pytest.mark.parametrize("start", WAYS, ids=lambda state: state.name)
@pytest.mark.parametrize("command", WORD, ids=lambda command: command.name)
def test_each_command_in_each_state(start: State, command: Command) -> None:
    """By the wire: what the standard lists happens, anything else changes nothing."""
    bench = Bench()
    bench.configure()
    bench.write(0x605A, 0, 2, 6)  # stay in quick stop active
    for word in WAYS[start]:
        bench.control(word)
    assert bench.state == start
    bench.control(WORD[command])
    bench.wait(200 * MS)
    end = TRANSITIONS.get((start, command), start)
    if (start, command) == (State.READY, Command.ENABLE_OPERATION):
        end = State.OPERATION_ENABLED
    assert bench.state == end
    assert bench.axis.on == (end in (State.OPERATION_ENABLED, State.QUICK_STOP_ACTIVE))


def test_transition_12_by_itself() -> None:
    bench = running()
    bench.control(2)
    bench.wait(200 * MS)
    assert bench.state == State.SWITCH_ON_DISABLED
    assert not bench.axis.on


def test_no_return_from_quick_stop_with_option_2() -> None:
    bench = running()
    for n in range(1, 26):
        bench.cycle(n * 100)
    bench.control(2)
    assert bench.state == State.QUICK_STOP_ACTIVE
    bench.control(15)
    assert bench.state == State.QUICK_STOP_ACTIVE


def test_fault_and_reset() -> None:
    """Transitions 13, 14, 15; the reset is an edge and waits for the cause to go."""
    bench = running()
    bench.axis.temperature_C = 130.0
    bench.wait(100 * MS)
    assert bench.state == State.FAULT
    assert not bench.axis.on
    assert bench.emergencies() == [0x4310]
    assert bench.read(0x603F) == bench.read(0x1003, 1) == 0x4310
    assert bench.read(0x1001) == 0b1001
    bench.control(0x80)
    assert bench.state == State.FAULT  # still hot
    bench.axis.temperature_C = 100.0
    bench.control(0x80)
    assert bench.state == State.FAULT  # no edge
    bench.control(0x00)
    bench.control(0x80)
    assert bench.state == State.SWITCH_ON_DISABLED
    assert bench.emergencies() == [0x4310, 0x0000]
    assert bench.read(0x603F) == bench.read(0x1001) == 0
    assert bench.read(0x1003) == 1
    bench.control(0x00)
    bench.enable()


@pytest.mark.parametrize(("volts", "code"), [(10.0, 0x3220), (70.0, 0x3210)])
def test_supply_faults_take_the_power_off_at_once(volts: float, code: int) -> None:
    bench = running()
    bench.axis.supply_V = volts
    bench.wait(9 * MS)
    assert bench.state == State.FAULT
    assert not bench.axis.on
    assert bench.emergencies() == [code]
    assert bool(bench.node.statusword() & 0x10) == (volts > 20.0)  # voltage enabled


def test_no_power_without_supply() -> None:
    bench = Bench(axis=AnalyticAxis())
    bench.configure()
    bench.axis.supply_V = 5.0
    for word in (6, 7, 15):
        bench.control(word)
    assert bench.state == State.FAULT
    assert ("enable", True) not in {(name, *rest[1:]) for name, *rest in bench.axis.calls}


def test_temperature_warning() -> None:
    bench = running()
    bench.axis.temperature_C = 110.0
    bench.cycle()
    assert bench.feedback()[0] & 0x80
    assert bench.state == State.OPERATION_ENABLED
