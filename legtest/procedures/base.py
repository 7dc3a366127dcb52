"""What a procedure is: a declaration, a `move` that needs a bench, an `evaluate` that needs only the record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from legtest.bench import Bench
from legtest.description.model import JointDescription
from legtest.description.setup import SetUp
from legtest.errors import UsageError
from legtest.metrology.measurement import Measurement
from legtest.records.recorded import Recorded

TORQUE_SCALE = 0.05  # standard uncertainty of torque computed from current, relative; common practice, no source


@dataclass(frozen=True, slots=True)
class Declaration:
    """One bench procedure.

    method: one sentence for the report. quantities: names of `legtest.quantities`. energy_class: 1 torque-capped,
    2 free motion, 3 impact or heat, 0 no power at all. duration_s: rough, on the bench's clock.
    move(bench, joint, **arguments): records one segment through `bench.recording` and returns it.
    evaluate(recorded): the measurements; looks at nothing but the record.
    """

    name: str
    title: str
    method: str
    quantities: tuple[str, ...]
    per_joint: bool
    setups: tuple[SetUp, ...]
    energy_class: int
    posture: str
    reference: str
    duration_s: float
    move: Callable[..., Recorded]
    evaluate: Callable[[Recorded], tuple[Measurement, ...]]


def run(
    procedure: Declaration, bench: Bench, joint: JointDescription | None = None, **arguments: Any
) -> tuple[Measurement, ...]:
    """Move, then evaluate what was recorded.

    Raises UsageError for a joint that is not of this leg, NotRun for a set-up nobody can make or an energy class that
    this bench does not allow (yet), what the bench raises.
    """
    if procedure.per_joint and joint not in bench.leg.joints:
        names = ", ".join(bench.leg.joint_names)
        raise UsageError(
            f"{procedure.name}: {getattr(joint, 'name', joint)!r} is no joint of {bench.leg.name}: take the `joint` "
            f"fixture, or bench.leg.joint(NAME) with one of {names}"
        )
    bench.begin_class(procedure.energy_class, procedure.name, procedure.duration_s)
    recorded = procedure.move(bench, joint, **arguments) if procedure.per_joint else procedure.move(bench, **arguments)
    measurements = procedure.evaluate(recorded)
    bench.keep(measurements)
    return measurements


def at_least(procedure: str, argument: str, value: int, least: int) -> None:
    """Raise UsageError for fewer repeats than a spread can be had from."""
    if value < least:
        raise UsageError(f"{procedure}: {argument}={value}: at least {least} are needed")


def taken(recording_result: Recorded | None) -> Recorded:
    """The result of a recording whose block has ended."""
    if recording_result is None:
        raise ValueError("the recording has not ended")
    return recording_result
