"""Reads the check values in tests/references; each file names its sources."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import yaml

REFERENCES = Path(__file__).parents[1] / "references"


def load(name: str) -> Any:
    return yaml.safe_load((REFERENCES / name).read_text(encoding="utf-8"))


def table(name: str) -> list[dict[str, float]]:
    """Rows of a CSV file by column name; lines that start with # are comments."""
    lines = [line for line in (REFERENCES / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    names = lines[0].split(",")
    return [dict(zip(names, map(_number, line.split(",")), strict=True)) for line in lines[1:]]


def _number(text: str) -> float:
    return float(text or "nan")


def columns(name: str) -> dict[str, np.ndarray]:
    rows = table(name)
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def correct_digits(got: float, certified: str) -> float:
    """LRE = -log10(|got - certified| / |certified|), at most 15; absolute when the certified value is 0."""
    exact = float(certified)
    error = abs(got - exact) / (abs(exact) or 1)
    return 15.0 if error == 0 else min(15.0, -float(np.log10(error)))
