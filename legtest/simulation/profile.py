"""Motion profiles with linear speed ramps, in closed form."""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple


class Piece(NamedTuple):
    """Constant acceleration from t_s on."""

    t_s: float
    position: float
    velocity: float
    acceleration: float


class Profile(NamedTuple):
    """Pieces in order, at rest after end_s; times count from the profile's start."""

    pieces: tuple[Piece, ...]
    end_s: float

    def at(self, t_s: float) -> tuple[float, float]:
        """Position and velocity at a time from the profile's start; after the end: the end, at rest."""
        rest = t_s >= self.end_s
        t_s = min(t_s, self.end_s)
        piece = self.pieces[0]
        for later in self.pieces[1:]:
            if later.t_s > t_s:
                break
            piece = later
        dt = t_s - piece.t_s
        position = piece.position + piece.velocity * dt + 0.5 * piece.acceleration * dt * dt
        return position, 0.0 if rest else piece.velocity + piece.acceleration * dt


ABRUPT_STOP_s = 0.1


def stop(position: float, velocity: float, deceleration: float) -> Profile:
    """Come to rest with constant deceleration.

    inf: the demand stays where it is at once, and the axis is given ABRUPT_STOP_s to get there.
    """
    if velocity == 0.0 or deceleration == inf:
        return Profile((Piece(0.0, position, 0.0, 0.0),), ABRUPT_STOP_s if velocity else 0.0)
    slow = -deceleration if velocity > 0.0 else deceleration
    return Profile((Piece(0.0, position, velocity, slow),), abs(velocity) / deceleration)


def move(
    position: float, velocity: float, target: float, speed: float, acceleration: float, deceleration: float
) -> Profile:
    """To the target and to rest there: ramp up, cruise at `speed`, ramp down; shortest time under these limits.

    A start velocity that leads away or cannot be stopped in time is brought to rest first.
    """
    way = target - position
    sign = 1.0 if way >= 0.0 else -1.0
    v, d = velocity * sign, abs(way)
    if v < 0.0 or v * v > 2.0 * deceleration * d * (1.0 + 1e-12):
        first = stop(position, velocity, deceleration)
        rest, _ = first.at(first.end_s)
        then = move(rest, 0.0, target, speed, acceleration, deceleration)
        later = tuple(piece._replace(t_s=piece.t_s + first.end_s) for piece in then.pieces)
        return Profile(first.pieces + later, first.end_s + then.end_s)
    # Peak speed without cruise: v^2 + 2 a s1 = 2 b s2, s1 + s2 = d.
    peak = sqrt((2.0 * acceleration * deceleration * d + deceleration * v * v) / (acceleration + deceleration))
    top = min(peak, speed)
    first_rate = acceleration if top >= v else -deceleration  # already faster than allowed: slow down to the cruise
    t1 = (top - v) / first_rate
    s1 = (top * top - v * v) / (2.0 * first_rate)
    t3, s3 = top / deceleration, top * top / (2.0 * deceleration)
    t2 = max(d - s1 - s3, 0.0) / top if top else 0.0
    pieces = (
        Piece(0.0, position, velocity, sign * first_rate),
        Piece(t1, position + sign * s1, sign * top, 0.0),
        Piece(t1 + t2, target - sign * s3, sign * top, -sign * deceleration),
    )
    return Profile(pieces, t1 + t2 + t3)
