"""Every built-in procedure."""

from __future__ import annotations

from legtest.procedures import backlash, carriage, friction, holding, homing, range_of_motion, tracking
from legtest.procedures.base import Declaration

PROCEDURES: tuple[Declaration, ...] = (
    homing.DECLARATION,
    range_of_motion.DECLARATION,
    backlash.DECLARATION,
    friction.DECLARATION,
    holding.DECLARATION,
    tracking.DECLARATION,
    carriage.DECLARATION,
)
BY_NAME = {procedure.name: procedure for procedure in PROCEDURES}
