"""The arrangements of leg and stand that a person makes, by hand and unpowered, before a test."""

from __future__ import annotations

from enum import StrEnum


class SetUp(StrEnum):
    """CLAMPED: carriage clamped high, the leg hangs free of the floor. FOOT_CLAMPED: carriage clamped and the foot
    held to the stand, so that no joint can turn. MASS: as CLAMPED, with the known mass hung from the foot.
    STANDING: carriage free on its rail, resting on the lower block, leg folded with the foot on the floor.
    """

    CLAMPED = "carriage clamped"
    FOOT_CLAMPED = "foot clamped"
    MASS = "mass on foot"
    STANDING = "carriage free, foot on floor"
