"""The power state machine of CiA 402: states, commands and transitions as data (from memory; checked in the tests)."""

from __future__ import annotations

from enum import Enum, IntEnum


class State(IntEnum):
    """The states; the value is the statusword's state bits."""

    NOT_READY = 0x00
    SWITCH_ON_DISABLED = 0x40
    READY = 0x21
    SWITCHED_ON = 0x23
    OPERATION_ENABLED = 0x27
    QUICK_STOP_ACTIVE = 0x07
    FAULT_REACTION_ACTIVE = 0x0F
    FAULT = 0x08


class Command(Enum):
    """What a controlword asks for. The fault reset is an edge and not in this list."""

    SHUTDOWN = "shutdown"
    SWITCH_ON = "switch on"  # from operation enabled: disable operation
    ENABLE_OPERATION = "enable operation"
    DISABLE_VOLTAGE = "disable voltage"
    QUICK_STOP = "quick stop"


FAULT_RESET = 0x80
HALT = 0x100

_COMMANDS = (
    (0x82, 0x00, Command.DISABLE_VOLTAGE),
    (0x86, 0x02, Command.QUICK_STOP),
    (0x87, 0x06, Command.SHUTDOWN),
    (0x8F, 0x07, Command.SWITCH_ON),
    (0x8F, 0x0F, Command.ENABLE_OPERATION),
)

# Transitions 2..12 and 16 by command; 0, 1, 13 and 14 are events inside the drive, 15 is the fault reset edge.
TRANSITIONS = {
    (State.SWITCH_ON_DISABLED, Command.SHUTDOWN): State.READY,  # 2
    (State.READY, Command.SWITCH_ON): State.SWITCHED_ON,  # 3
    (State.READY, Command.ENABLE_OPERATION): State.SWITCHED_ON,  # 3, and 4 by itself right after
    (State.SWITCHED_ON, Command.ENABLE_OPERATION): State.OPERATION_ENABLED,  # 4
    (State.OPERATION_ENABLED, Command.SWITCH_ON): State.SWITCHED_ON,  # 5
    (State.SWITCHED_ON, Command.SHUTDOWN): State.READY,  # 6
    (State.READY, Command.DISABLE_VOLTAGE): State.SWITCH_ON_DISABLED,  # 7
    (State.READY, Command.QUICK_STOP): State.SWITCH_ON_DISABLED,  # 7
    (State.OPERATION_ENABLED, Command.SHUTDOWN): State.READY,  # 8
    (State.OPERATION_ENABLED, Command.DISABLE_VOLTAGE): State.SWITCH_ON_DISABLED,  # 9
    (State.SWITCHED_ON, Command.DISABLE_VOLTAGE): State.SWITCH_ON_DISABLED,  # 10
    (State.SWITCHED_ON, Command.QUICK_STOP): State.SWITCH_ON_DISABLED,  # 10
    (State.OPERATION_ENABLED, Command.QUICK_STOP): State.QUICK_STOP_ACTIVE,  # 11
    (State.QUICK_STOP_ACTIVE, Command.DISABLE_VOLTAGE): State.SWITCH_ON_DISABLED,  # 12
    (State.QUICK_STOP_ACTIVE, Command.ENABLE_OPERATION): State.OPERATION_ENABLED,  # 16, option codes 5..8 only
}

ENERGISED = frozenset({State.OPERATION_ENABLED, State.QUICK_STOP_ACTIVE, State.FAULT_REACTION_ACTIVE})


def command_of(controlword: int) -> Command | None:
    """The command a controlword carries, None where bit 7 is set or the bits mean nothing."""
    for mask, value, command in _COMMANDS:
        if controlword & mask == value:
            return command
    return None
