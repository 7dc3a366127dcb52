"""Bench procedures for robot-leg actuators as repeatable hardware-in-the-loop tests.

Public names are loaded when they are first asked for, so `import legtest` costs nothing (PEP 562).
"""

from __future__ import annotations

from importlib import import_module

__version__ = "0.1.0"

# public name -> the module it lives in
_HOME: dict[str, str] = {}

__all__ = ["__version__", *sorted(_HOME)]  # noqa: PLE0604  (every element is a string)


def __getattr__(name: str) -> object:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'legtest' has no attribute {name!r}; it has {', '.join(__all__)}")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
