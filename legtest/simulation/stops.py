"""End stops that do not seat twice at the same angle."""

from __future__ import annotations

import random
from dataclasses import dataclass

from legtest.simulation.physics import Physics

_LEFT_rad = 0.02


@dataclass(slots=True)
class _Seat:
    """One stop: which joint (qpos index, joint number), side 0 = low or 1 = high, its true angle and play."""

    position: int
    joint: int
    side: int
    nominal_rad: float
    scatter_rad: float
    loose_rad: float
    generator: random.Random
    away: bool = False


class EndStops:
    """Gives each end stop a new seat whenever its joint has left it by more than 0.02 rad (more for a loose one)."""

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        plant = physics.plant
        parts = plant.parts()
        self._seats = [
            _Seat(
                position=physics.joint_index[name],
                joint=physics.model.joint(name).id,
                side=side,
                nominal_rad=(stop.low_rad, stop.high_rad)[side],
                scatter_rad=stop.scatter_rad,
                loose_rad=stop.loose_rad,
                generator=parts.generator(f"{name} seat {side}"),
            )
            for name, stop in zip(plant.joints, plant.stops, strict=True)
            for side in (0, 1)
        ]
        physics.on_tick.append(self.tick)

    def tick(self) -> None:
        positions = self._physics.state().position
        for seat in self._seats:
            distance = abs(positions[seat.position] - seat.nominal_rad)
            limit = _LEFT_rad + seat.loose_rad
            if seat.away:
                seat.away = distance > limit / 2
            elif distance > limit:
                seat.away = True
                self._move(seat)

    def _move(self, seat: _Seat) -> None:
        play = seat.generator.gauss(0.0, seat.scatter_rad) + seat.generator.uniform(-seat.loose_rad, seat.loose_rad)
        self._physics.model.jnt_range[seat.joint, seat.side] = seat.nominal_rad + play
