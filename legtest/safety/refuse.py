"""How a step of the pre-check says no: step, value, expected, likely cause, and whether power was applied."""

from __future__ import annotations

from typing import NoReturn

from legtest.errors import PrecheckRefused


def refuse(
    step: str, value: str, expected: str, cause: str, *, powered: bool = False, by: BaseException | None = None
) -> NoReturn:
    """Raises PrecheckRefused."""
    raise PrecheckRefused(step, value, expected, cause, powered) from by
