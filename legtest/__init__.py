"""Bench procedures for robot-leg actuators as repeatable hardware-in-the-loop tests.

Public names are loaded when they are first used, so `import legtest` costs nothing (PEP 562), and a test file that
imports procedures at its top loads no numerical library while it is collected.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import LazyLoader, find_spec, module_from_spec
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from legtest.description.setup import SetUp
    from legtest.errors import MeasurementInvalid, NotRun, UsageError
    from legtest.metrology.combine import measured, measurement
    from legtest.metrology.measurement import BudgetLine, Measurement
    from legtest.procedures import backlash, carriage, friction, holding, homing, range_of_motion, tracking
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
_PROCEDURES = ("backlash", "carriage", "friction", "holding", "homing", "range_of_motion", "tracking")

__all__ = [
    "BudgetLine",
    "Measurement",
    "MeasurementInvalid",
    "NotRun",
    "SetUp",
    "UsageError",
    "__version__",
    "backlash",
    "carriage",
    "friction",
    "holding",
    "homing",
    "measured",
    "measurement",
    "range_of_motion",
    "simulated_bench",
    "tracking",
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


def _loaded_when_used(name: str) -> object:
    """A module whose code runs with the first use of one of its names."""
    if name in sys.modules:
        return sys.modules[name]
    spec = find_spec(name)
    if spec is None or spec.loader is None:
        raise ImportError(f"no module {name}")
    spec.loader = LazyLoader(spec.loader)
    module = module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
