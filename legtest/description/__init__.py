"""Leg, stand and bench as users write them: YAML with units in, frozen SI objects out, errors with line numbers."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from legtest.description.light import light_read
    from legtest.description.read import default_bench, json_schema, read_bench, read_leg, read_stand

__all__ = ["default_bench", "json_schema", "light_read", "read_bench", "read_leg", "read_stand"]


def __getattr__(name: str) -> Any:
    """Load the reader on first use: `legtest.description.model` stays standard library only."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{'light' if name == 'light_read' else 'read'}"), name)
