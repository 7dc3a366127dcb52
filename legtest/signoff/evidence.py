"""What the bus showed while a person worked at the unpowered bench, and whether that shows what it should."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from math import degrees, pi
from typing import NamedTuple

from legtest.description.model import BenchDescription, LegDescription
from legtest.kinematics import actuators_of_joints

RANGE_SHARE = 0.03  # of the travel by the drawing: tolerance of stops, hub and a hand's push
OTHERS_RAD = 0.1  # a hand that holds a link while another is moved lets it give way about so much
FEWEST_POINTS = 20
LARGEST_STEP = 0.25  # of the travel: a movement, not its two ends
SILENT_S = 0.5  # drives beat oftener than that
RELEASE_S = 120.0


class HandMove(NamedTuple):
    """One joint led by hand from its low to its high end. t_s (n,); joint angles by name (n,), rad, before homing."""

    joint: str
    t_s: tuple[float, ...]
    angles_rad: Mapping[str, tuple[float, ...]]

    def moved_rad(self) -> list[float]:
        """How far each joint went, in the order of the mapping."""
        return [track[-1] - track[0] for track in self.angles_rad.values()]


class StopSeen(NamedTuple):
    """One axis while the emergency stop was pressed and released; seconds since the person was asked to press it.

    lost_s: when its last frame came, or its supply fell. back_s: its boot-up, or its supply again. supply_V: the lowest
    that was seen, None where the drive went silent.
    """

    axis: str
    lost_s: float
    back_s: float
    supply_V: float | None


def wrong_moves(leg: LegDescription, moves: Sequence[HandMove]) -> Iterator[str]:
    """What the hand-moves contradict in the leg file, with the likely cause; nothing when they agree with it.

    An actuator's angles over all moves are compared with what its joints' travel and the coupling foretell. A factor
    between both is a wrong sign or scale; another actuator's pattern means swapped nodes or plugs.
    """
    if [move.joint for move in moves] != list(leg.joint_names):
        yield f"expected one hand-move for each of {', '.join(leg.joint_names)}"
        return
    formed = [problem for move in moves for problem in _malformed(leg, move)]
    if formed:
        yield from formed
        return
    travel = [joint.travel_rad[1] - joint.travel_rad[0] for joint in leg.joints]
    count = len(travel)
    foretold = [actuators_of_joints(leg, [travel[m] * (i == m) for i in range(count)]) for m in range(count)]
    found = [actuators_of_joints(leg, move.moved_rad()) for move in moves]
    for number, joint in enumerate(leg.joints):
        expected = [float(row[number]) for row in foretold]
        seen = [float(row[number]) for row in found]
        others = {other: [float(row[i]) for row in foretold] for i, other in enumerate(leg.joint_names) if i != number}
        problem = _explained(joint.name, expected, seen, others)
        if problem:
            yield f"{joint.name} (node {joint.drive.node}): {problem}"


def _malformed(leg: LegDescription, move: HandMove) -> Iterator[str]:
    """Why a record is no movement at all."""
    lengths = {len(move.t_s), *(len(track) for track in move.angles_rad.values())}
    if tuple(move.angles_rad) != leg.joint_names or len(lengths) != 1 or min(lengths) < FEWEST_POINTS:
        yield f"{move.joint}: expected at least {FEWEST_POINTS} samples of every joint"
        return
    if any(after <= before for before, after in pairwise(move.t_s)):
        yield f"{move.joint}: its samples are not in the order of time"
    track = move.angles_rad[move.joint]
    span = max(track) - min(track)
    jump = max(abs(b - a) for a, b in pairwise(track))
    if span > OTHERS_RAD and jump > LARGEST_STEP * span:
        yield f"{move.joint}: jumps by {degrees(jump):.1f} deg between two samples: moved too fast, or samples lost"


def _explained(
    joint: str, expected: Sequence[float], seen: Sequence[float], others: Mapping[str, Sequence[float]]
) -> str:
    """Why the angles of one drive are not those that were foretold; "" when they are."""
    factor = _factor(seen, expected)
    if _fits(seen, expected, factor) and factor:
        if abs(factor - 1) <= RANGE_SHARE:
            return ""
        said = f"moved {factor:+.3f} times what the leg file says ({degrees(_along(seen, expected)):.1f} deg"
        said += f" where {degrees(_along(expected, expected)):.1f} deg lie between the stops)"
        return f"{said}: {_why(factor)}"
    for other, pattern in others.items():
        swapped = _factor(seen, pattern)
        if swapped and _fits(seen, pattern, swapped) and not _fits(seen, expected, factor):
            return f"moved when the {other} was moved by hand: swapped node ids, or swapped motor or encoder plugs"
    if max(map(abs, seen)) < OTHERS_RAD:
        return f"did not move when the {joint} was moved by hand: encoder or its plug, or another drive has its node id"
    listed = ", ".join(f"{degrees(value):+.1f}" for value in seen)
    meant = ", ".join(f"{degrees(value):+.1f}" for value in expected)
    return (
        f"went {listed} deg in the hand-moves, expected {meant}: a joint that was not held still, a slipping encoder, "
        "or a coupling other than the leg file's"
    )


def _factor(seen: Sequence[float], pattern: Sequence[float]) -> float:
    return sum(s * p for s, p in zip(seen, pattern, strict=True)) / sum(p * p for p in pattern)


def _fits(seen: Sequence[float], pattern: Sequence[float], factor: float) -> bool:
    """Whether what was seen is the pattern times the factor, but for what hands give way."""
    slack = OTHERS_RAD * max(1.0, abs(factor))
    return abs(factor) > OTHERS_RAD and all(abs(s - factor * p) <= slack for s, p in zip(seen, pattern, strict=True))


def _along(values: Sequence[float], pattern: Sequence[float]) -> float:
    """The value of the move in which the pattern goes farthest."""
    return values[max(range(len(pattern)), key=lambda i: abs(pattern[i]))]


def _why(factor: float) -> str:
    if factor < 0 and abs(factor + 1) <= RANGE_SHARE:
        return "the wrong sign: change drive.sign, or swap two wires of the encoder"
    for unit in (180 / pi, pi / 180):
        if abs(abs(factor) / unit - 1) <= 2 * RANGE_SHARE:
            return "degrees taken for radians, in drive.counts_per_turn"
    return "gear or encoder other than drive.counts_per_turn says, or a travel that is not the drawing's"


def gone_below_V(bench: BenchDescription) -> float:
    """Below it a motor supply counts as gone: half of its lowest voltage in operation, 12 V where that is not said."""
    supply = bench.protection.supply if bench.protection else None
    return supply.voltage_V[0] / 2 if supply else 12.0


def wrong_stop(leg: LegDescription, cuts: str, axes: Sequence[StopSeen], lowest_V: float) -> Iterator[str]:
    """What the emergency stop did not show; nothing when every drive lost its power and came back.

    cuts: as the bench file says. lowest_V: below it a motor supply counts as gone.
    """
    if [axis.axis for axis in axes] != list(leg.joint_names):
        yield f"expected the emergency stop as seen by each of {', '.join(leg.joint_names)}"
        return
    for axis in axes:
        if not 0 <= axis.lost_s < axis.back_s <= 2 * RELEASE_S:
            yield f"{axis.axis}: lost its power after {axis.lost_s:g} s and had it back after {axis.back_s:g} s"
        if cuts == "all supplies" and axis.back_s - axis.lost_s < 0.9 * SILENT_S:
            yield f"{axis.axis}: was silent for {axis.back_s - axis.lost_s:g} s only: it kept its supply"
        if cuts == "motor supply" and (axis.supply_V is None or axis.supply_V >= lowest_V):
            yield f"{axis.axis}: its motor supply did not fall below {lowest_V:g} V"
