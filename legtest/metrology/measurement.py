"""A number with its uncertainty, its budget and what it refers to (JCGM 100)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Literal

Reference = Literal["internal", "external"]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution to a standard uncertainty, already multiplied by its sensitivity.

    u: standard uncertainty (k = 1), SI, in the measurement's own kind.
    evaluation: "A" (statistics of repeats) or "B" (anything else), JCGM 100 clauses 4.2 and 4.3.
    systematic: the same on every run of the same bench, so it cancels when two runs are compared.
    """

    source: str
    u: float
    dof: float = inf
    evaluation: Literal["A", "B"] = "B"
    systematic: bool = False


@dataclass(frozen=True, slots=True)
class Measurement:
    """value and u are SI; `kind` (see legtest.units) says which unit people read.

    subject: joint name, "foot" or "leg". u: standard uncertainty, k = 1; dof: effective degrees of freedom.
    reference: "internal" = the drive's own sensors; "external" = a mass, a length, an end stop, a sensor.
    covariates: what else was true (temperature, load, ...), SI, by name with unit suffix.
    invalid: why the measurement went wrong; empty when it did not.
    """

    quantity: str
    subject: str
    value: float
    kind: str
    u: float
    dof: float
    budget: tuple[BudgetLine, ...]
    reference: Reference
    covariates: Mapping[str, float] = field(default_factory=dict)
    invalid: str = ""
