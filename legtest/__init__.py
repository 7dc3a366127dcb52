"""Bench procedures for robot-leg actuators as repeatable hardware-in-the-loop tests.

Public names are loaded when they are first used, so `import legtest` costs nothing (PEP 562), and a test file that
imports procedures at its top loads no numerical library while it is collected.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from legtest.description.setup import SetUp
    from legtest.errors import MeasurementInvalid, NotRun, UsageError
    from legtest.metrology.combine import measured, measurement
    from legtest.metrology.measurement import BudgetLine, Measurement
    from legtest.procedures import (
        at_rest,
        backlash,
        braking,
        breakaway,
        carriage,
        communication,
        compliance,
        cross_coupling,
        drop,
        emergency_stop,
        frequency,
        friction,
        heat,
        heights,
        holding,
        homing,
        identification,
        identity,
        loss_reaction,
        positioning,
        power_up,
        range_of_motion,
        slow_sweep,
        stand,
        stand_mode,
        step,
        stribeck,
        supply,
        torque_constant,
        tracking,
        twitch,
        warm_up,
    )
    from legtest.wiring import simulated_bench

__version__ = "0.1.0"

# public name -> the module it lives in
_HOME = {
    "BudgetLine": "legtest.metrology.measurement",
    "Measurement": "legtest.metrology.measurement",
    "MeasurementInvalid": "legtest.errors",
    "NotRun": "legtest.errors",
    "SetUp": "legtest.description.setup",
    "UsageError": "legtest.errors",
    "measured": "legtest.metrology.combine",
    "measurement": "legtest.metrology.combine",
    "simulated_bench": "legtest.wiring",
}
_PROCEDURES = (
    "at_rest",
    "backlash",
    "braking",
    "breakaway",
    "carriage",
    "communication",
    "compliance",
    "cross_coupling",
    "drop",
    "emergency_stop",
    "frequency",
    "friction",
    "heat",
    "heights",
    "holding",
    "homing",
    "identification",
    "identity",
    "loss_reaction",
    "positioning",
    "power_up",
    "range_of_motion",
    "slow_sweep",
    "stand",
    "stand_mode",
    "step",
    "stribeck",
    "supply",
    "torque_constant",
    "tracking",
    "twitch",
    "warm_up",
)

__all__ = [
    "BudgetLine",
    "Measurement",
    "MeasurementInvalid",
    "NotRun",
    "SetUp",
    "UsageError",
    "__version__",
    "at_rest",
    "backlash",
    "braking",
    "breakaway",
    "carriage",
    "communication",
    "compliance",
    "cross_coupling",
    "drop",
    "emergency_stop",
    "frequency",
    "friction",
    "heat",
    "heights",
    "holding",
    "homing",
    "identification",
    "identity",
    "loss_reaction",
    "measured",
    "measurement",
    "positioning",
    "power_up",
    "range_of_motion",
    "simulated_bench",
    "slow_sweep",
    "stand",
    "stand_mode",
    "step",
    "stribeck",
    "supply",
    "torque_constant",
    "tracking",
    "twitch",
    "warm_up",
]


def __getattr__(name: str) -> object:
    value: object
    if name in _PROCEDURES:
        value = _loaded_when_used(f"legtest.procedures.{name}")
    elif name in _HOME:
        value = getattr(import_module(_HOME[name]), name)
    else:
        raise AttributeError(f"module 'legtest' has no attribute {name!r}; it has {', '.join(__all__)}")
    globals()[name] = value
    return value


class _LoadedWhenUsed(ModuleType):
    """A module whose code runs with the first use of one of its names.

    Not importlib's LazyLoader, nor for private names: pytest, collecting, asks every name of a test file whether it is
    a class, a mock or a fixture, and that must not load a numerical library.
    """

    def __getattr__(self, name: str) -> object:
        if name.startswith("_"):
            raise AttributeError(name)
        self._run()
        return getattr(self, name)

    def __dir__(self) -> list[str]:
        self._run()
        return dir(self)

    def _run(self) -> None:
        spec = self.__spec__
        if spec is None or spec.loader is None:
            raise ImportError(f"{self.__name__} cannot be loaded")
        self.__class__ = ModuleType  # type: ignore[assignment]
        try:
            spec.loader.exec_module(self)
        except BaseException:
            self.__class__ = _LoadedWhenUsed
            raise


def _loaded_when_used(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = find_spec(name)
        if spec is None:
            raise ImportError(f"no module {name}")
        module = module_from_spec(spec)
        module.__class__ = _LoadedWhenUsed
        sys.modules[name] = module
        room, _, short = name.rpartition(".")
        setattr(sys.modules[room], short, module)
    return sys.modules[name]


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
