"""The hook that holds the carriage up for a drop: it catches the carriage that comes up to it, and a cord pulls it."""

from __future__ import annotations

import math

from legtest.simulation.physics import Physics

_REARMED_m = 0.003  # how far the carriage must have fallen before the hook can catch again


class Hook:
    """Not there until it is set. Heights are carriage positions, 0 = clamped high."""

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        self._height_m = math.inf
        self._armed = self._holds = False
        physics.on_power_tick.append(self._tick)

    def set(self, height_m: float) -> None:
        """Put it at a height; it does not hold anything yet."""
        self._height_m, self._armed = height_m, True

    def pull(self) -> None:
        """Let the carriage go."""
        if self._holds:
            self._physics.clamp("rail", on=False)
        self._holds = self._armed = False

    def _tick(self) -> None:
        if self._holds or self._height_m == math.inf:
            return
        physics = self._physics
        at = physics.state().position[physics.joint_index["rail"]]
        if not self._armed:
            self._armed = at < self._height_m - _REARMED_m
        elif at >= self._height_m:
            physics.clamp("rail", on=True, at=self._height_m)
            self._holds = True
