"""What each grade asks for. Each check yields refusals; nothing is asked for twice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import IntEnum
from typing import NamedTuple

from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.description.protection import Protection
from legtest.description.protection_schema import ProtectionSection
from legtest.readiness import figures
from legtest.signoff import SignOff

ARM_m = 1.0  # farther than that an emergency stop is not within reach
IN_MOTOR_SUPPLY = ("motor supply", "all supplies")


class Effort(IntEnum):
    """What the way out costs, cheapest first."""

    COMMAND = 0
    LINE = 1
    ADJUST = 2
    BUY = 3
    BUILD = 4


class Refusal(NamedTuple):
    """What stands in the way of a grade: what it is about, what was found, what is asked for, and the way out."""

    grade: Grade
    subject: str
    found: str
    expected: str
    way_out: str
    effort: Effort

    def __str__(self) -> str:
        return f"{self.grade.words}: {self.subject}: {self.found}; expected {self.expected}. {self.way_out}"


class Asked(NamedTuple):
    """Everything the checks look at. scanned: the unpowered bus answered as it should; refused: or why not.

    stops: the drives stop by themselves when the heartbeat stops. torque, gentle: of each actuator, at full and capped.
    """

    leg: LegDescription
    bench: BenchDescription
    signoff: SignOff | None
    scanned: bool
    refused: str
    stops: bool
    torque_Nm: Sequence[float]
    gentle_Nm: Sequence[float]
    speed_rad_s: Sequence[float]


def needs(asked: Asked) -> Iterator[Refusal]:
    """All refusals, of all grades."""
    yield from _bus(asked)
    protection = asked.bench.protection
    if protection is None:
        yield Refusal(
            Grade.UNPOWERED, "protection", "not declared", f"the lines {', '.join(ProtectionSection.model_fields)}",
            f"Write the section `protection` into {asked.bench.path}; `none` is an answer", Effort.LINE,
        )  # fmt: skip
        return
    if protection.adapter is None:
        yield Refusal(
            Grade.UNPOWERED, "adapter", "none", "a serial number or interface that names one adapter",
            "Write the adapter's serial number into protection.adapter", Effort.LINE,
        )  # fmt: skip
    yield from _emergency_stop(protection)
    yield from _person(asked)
    yield from _carriage(asked, protection)
    yield from _supply(protection)
    yield from _own_stop(asked, protection)
    yield from _anchorage(asked, protection)
    yield from _people(asked, protection)
    yield from _braking(asked, protection)


def _bus(asked: Asked) -> Iterator[Refusal]:
    if asked.bench.interface == "simulated":
        yield Refusal(
            Grade.UNPOWERED, "bus.interface", "simulated", "the interface and channel of a CAN adapter",
            "Name the adapter's interface and channel in the bench file", Effort.LINE,
        )  # fmt: skip
    if asked.refused:
        yield Refusal(
            Grade.UNPOWERED, "scan", asked.refused, "every drive answers as the leg file says",
            "Find the cause and scan again: the same command with --listen 1", Effort.ADJUST,
        )  # fmt: skip
    elif not asked.scanned and asked.signoff is None:
        yield Refusal(
            Grade.UNPOWERED, "scan", "the drives were not asked", "every drive answers as the leg file says",
            "Scan the unpowered leg: the same command with --listen 1", Effort.COMMAND,
        )  # fmt: skip


def _emergency_stop(protection: Protection) -> Iterator[Refusal]:
    stop, grade = protection.emergency_stop, Grade.TORQUE_CAPPED
    if stop is None:
        yield Refusal(
            grade, "emergency stop", "none", "a latching switch in the motor supply within reach",
            "Put a latching emergency stop switch into the motor supply", Effort.BUY,
        )  # fmt: skip
        return
    if not stop.latching:
        yield Refusal(
            grade, "emergency stop", "momentary: the supply returns when the hand lets go", "a latching actuator",
            "Replace it by one that stays pressed", Effort.BUY,
        )  # fmt: skip
    if stop.distance_m > ARM_m:
        yield Refusal(
            grade, "emergency stop", f"{stop.distance_m:g} m away", f"within {ARM_m:g} m of where the person stands",
            "Move it to within reach", Effort.ADJUST,
        )  # fmt: skip
    if stop.cuts not in IN_MOTOR_SUPPLY:
        yield Refusal(
            grade, "emergency stop", f"cuts the {stop.cuts} only", "it interrupts the motor supply",
            "Wire it into the motor supply", Effort.ADJUST,
        )  # fmt: skip


def _person(asked: Asked) -> Iterator[Refusal]:
    signoff, grade = asked.signoff, Grade.TORQUE_CAPPED
    if signoff is None:
        yield Refusal(
            grade, "sign-off", "none", "the steps that need a person, done today",
            f"Walk through them: legtest signoff --leg {asked.leg.path} --bench {asked.bench.path} -o signoff.json",
            Effort.COMMAND,
        )  # fmt: skip
        return
    if signoff.grade < grade:
        yield Refusal(
            grade, "sign-off", f"for {signoff.grade.words}", "the emergency stop seen by the bus",
            "Sign off again, with the emergency stop", Effort.COMMAND,
        )  # fmt: skip
    elif signoff.grade < Grade.FREE_MOTION:
        yield Refusal(
            Grade.FREE_MOTION, "sign-off", f"for {signoff.grade.words}", "the carriage caught, seen by a person",
            "Sign off again, with the catch fitted", Effort.COMMAND,
        )  # fmt: skip
    if not signoff.attended:
        yield Refusal(
            Grade.FREE_MOTION, "sign-off", "unattended", "somebody at the emergency stop for the whole run",
            "Sign off again for an attended run", Effort.COMMAND,
        )  # fmt: skip


def _carriage(asked: Asked, protection: Protection) -> Iterator[Refusal]:
    """Caught, clamped, or at its lowest; for free motion caught, and by something that bears it."""
    stand, catch = asked.bench.stand, protection.catch
    weight = figures.weight_N(protection, stand)
    if catch is not None:
        force = figures.catch_force_N(catch, weight)
        if force > catch.rated_force_N:
            yield Refusal(
                Grade.TORQUE_CAPPED, "catch", f"takes {force:.0f} N when it stops a falling carriage",
                f"at most its rated {catch.rated_force_N:g} N",
                "Shorten the drop, or take a softer or stronger catch", Effort.ADJUST,
            )  # fmt: skip
    else:
        if protection.brake_clamp_N is None and (asked.signoff is None or asked.signoff.carriage != "lowest"):
            yield Refusal(
                Grade.TORQUE_CAPPED, "carriage", "neither caught nor clamped", "caught, clamped, or at its lowest",
                "Let the carriage rest on its lower block, and sign that off", Effort.COMMAND,
            )  # fmt: skip
        yield Refusal(
            Grade.FREE_MOTION, "catch", "none", "something that catches the carriage",
            "Hang the carriage on two slings with little slack", Effort.BUY,
        )  # fmt: skip
    clamp = protection.brake_clamp_N
    if clamp is not None and clamp < weight + figures.push_N(asked.leg, asked.gentle_Nm):
        needed = weight + figures.push_N(asked.leg, asked.gentle_Nm)
        yield Refusal(
            Grade.TORQUE_CAPPED, "brake clamp", f"holds {clamp:g} N",
            f"weight and push of the capped leg, {needed:.0f} N", "Take a stronger clamp", Effort.BUY,
        )  # fmt: skip
    needed = weight + figures.push_N(asked.leg, asked.torque_Nm)
    if clamp is None or clamp < needed:
        yield Refusal(
            Grade.FREE_MOTION, "brake clamp", "none" if clamp is None else f"holds {clamp:g} N",
            f"weight and push of the leg, {needed:.0f} N", "Take a stronger clamp", Effort.BUY,
        )  # fmt: skip


def _supply(protection: Protection) -> Iterator[Refusal]:
    if protection.power_W is None:
        yield Refusal(
            Grade.TORQUE_CAPPED, "supply", "its current is not limited", "a supply that limits its current by itself",
            "Take a laboratory supply with its current limit set, and write it down", Effort.BUY,
        )  # fmt: skip


def _own_stop(asked: Asked, protection: Protection) -> Iterator[Refusal]:
    """Drives stop by themselves when nobody speaks to them any more, or their supply does it for them."""
    if asked.stops:
        return
    opens, loss = protection.supply_switch_s, asked.bench.loss_s
    if opens is None:
        yield Refusal(
            Grade.TORQUE_CAPPED, "supply switch", "none, and a drive does not stop when the heartbeat stops",
            "a switch in the motor supply that opens when the heartbeat stops",
            "Put a relay with a watchdog on the heartbeat into the motor supply", Effort.BUILD,
        )  # fmt: skip
    elif opens > loss:
        yield Refusal(
            Grade.TORQUE_CAPPED, "supply switch", f"opens after {opens * 1e3:g} ms",
            f"within heartbeat.loss, {loss * 1e3:g} ms", "Set it shorter", Effort.ADJUST,
        )  # fmt: skip


def _anchorage(asked: Asked, protection: Protection) -> Iterator[Refusal]:
    """For each grade the torques that it allows."""
    fixed = protection.anchorage
    for grade, torque_Nm in ((Grade.TORQUE_CAPPED, asked.gentle_Nm), (Grade.FREE_MOTION, asked.torque_Nm)):
        push = figures.push_N(asked.leg, torque_Nm)
        moment = figures.tipping_moment_Nm(asked.leg, asked.bench.stand, torque_Nm)
        if fixed is None or fixed.rated_force_N < push or fixed.rated_moment_Nm < moment:
            rated = f"rated {fixed.rated_force_N:g} N and {fixed.rated_moment_Nm:g} N*m" if fixed else "none"
            yield Refusal(
                grade, "anchorage", rated,
                f"{push:.0f} N and {moment:.0f} N*m, which {sum(torque_Nm):g} N*m at the actuators can put on it",
                "Bolt the stand down", Effort.BUILD,
            )  # fmt: skip


def _people(asked: Asked, protection: Protection) -> Iterator[Refusal]:
    """Hands stay out of free motion; of any motion when nobody attends."""
    reach = figures.reach_m(asked.leg)
    fence, device = protection.fence, protection.enabling_device
    fenced = fence is not None and fence.closed and fence.distance_m > reach
    enabled = device is not None and device.positions == 3 and device.cuts in IN_MOTOR_SUPPLY
    if asked.signoff is not None and not asked.signoff.attended and not fenced:
        yield Refusal(
            Grade.TORQUE_CAPPED, "fence", "unattended, without a closed fence beyond the leg's reach",
            f"a closed fence at more than {reach:.2f} m, or somebody who attends",
            "Sign off for an attended run", Effort.COMMAND,
        )  # fmt: skip
    if fenced or enabled:
        return
    said = "none" if fence is None else f"{'closed' if fence.closed else 'open on a side'}, {fence.distance_m:g} m away"
    if device is not None:
        said += f"; the enabling device has {device.positions} positions and cuts the {device.cuts}"
    yield Refusal(
        Grade.FREE_MOTION, "fence or enabling device", said,
        f"a closed fence more than {reach:.2f} m away, or a three-position enabling device in the motor supply",
        "Close the fence, or have somebody hold an enabling device", Effort.BUILD,
    )  # fmt: skip


def _braking(asked: Asked, protection: Protection) -> Iterator[Refusal]:
    """Braking energy fits into the capacitance, or a clamp takes its power."""
    braking, supply, grade = protection.braking, protection.supply, Grade.FREE_MOTION
    if braking is None or supply is None:
        yield Refusal(
            grade, "braking energy", "nothing is said of where it goes", "capacitance or a clamp that takes it",
            "Fit a braking resistor (clamp) and write it down", Effort.BUY,
        )  # fmt: skip
        return
    energy = figures.motion_energy_J(asked.leg, protection, asked.bench.stand, asked.speed_rad_s)
    room = figures.room_J(braking, supply.voltage_V[1])
    power = figures.braking_power_W(asked.torque_Nm, asked.speed_rad_s)
    if room >= energy or (braking.clamp_power_W or 0.0) >= power:
        return
    yield Refusal(
        grade, "braking energy", f"{energy:.1f} J at the allowed speed, up to {power:.0f} W",
        f"room for it on the supply (has {room:.1f} J) or a clamp for it (has {braking.clamp_power_W or 0:g} W)",
        "Fit a stronger braking resistor, or allow less speed in the leg file", Effort.BUY,
    )  # fmt: skip
