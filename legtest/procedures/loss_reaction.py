"""Reaction to communication loss: how long an energised drive waits for its silent host before it stops by itself.

Taken from a pre-check that is run anew, which lets every drive miss the host once while it holds its joint. Sees a
timer that is slow or not armed. Does not see what happens at speed, nor a host that still beats but computes nonsense.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import sqrt
from typing import NamedTuple

from legtest.bench import Bench
from legtest.canbus.bits import frame_bits
from legtest.canbus.frame import SENT, Frame
from legtest.canbus.wiremap import FrameDecoder, WireMap, feedback_decoders
from legtest.description.setup import SetUp
from legtest.metrology.combine import measurement
from legtest.metrology.measurement import BudgetLine, Measurement
from legtest.procedures.base import Declaration, taken
from legtest.procedures.base import run as run_procedure
from legtest.records.recorded import Recorded

HEARTBEAT = 0x77F  # of the host, node 127
LOST = (0x8130, 0x8250)  # error codes of CiA 301 and CiA 402: heartbeat missed, set-points missed
STAMPS_S = 1e-4  # half width of the adapter's stamps, both ends together


class Reaction(NamedTuple):
    """An energised drive that missed its host: instants of the last heartbeat, its report, and the first off seen."""

    beat_ns: int
    report_ns: int
    off_ns: int


def move(bench: Bench) -> Recorded:
    """Run the whole pre-check, recorded."""
    bench.arrange(SetUp.CLAMPED)
    arguments = {"period_ns": bench.period_ns, "bit_rate": bench.description.bit_rate}
    with bench.observing(DECLARATION.name, None, DECLARATION.method, **arguments) as recording:
        recording.keep_frames()
        bench.prove()
    return taken(recording.result)


def evaluate(recorded: Recorded) -> tuple[Measurement, ...]:
    """From the host's last heartbeat to the drive's emergency message, and to the first telemetry without power."""
    found: list[Measurement] = []
    period_s = float(recorded.arguments["period_ns"]) * 1e-9
    frames = recorded.frames("prove")[0]
    stamps = BudgetLine("time stamps", STAMPS_S / sqrt(3))
    for joint, wiremap in zip(recorded.leg.joints, recorded.wiremaps, strict=True):
        reactions = list(_reactions(frames, wiremap, float(recorded.arguments["bit_rate"])))
        if len(reactions) != 1:
            reason = f"the energised drive missed its host {len(reactions)} times, not once"
            found += [
                measurement(name, joint.name, float("nan"), (), reference="internal", invalid=reason)
                for name in DECLARATION.quantities
            ]
            continue
        (beat_ns, report_ns, off_ns) = reactions[0]
        # Telemetry comes once in a period: the power went off somewhere in the one before.
        off_s = (off_ns - beat_ns) * 1e-9 - period_s / 2
        sampling = BudgetLine("one telemetry sample a period", period_s / sqrt(12))
        found.append(
            measurement(
                "loss_reaction_time", joint.name, (report_ns - beat_ns) * 1e-9, (stamps,), reference="internal"
            )
        )
        found.append(measurement("loss_off_time", joint.name, off_s, (stamps, sampling), reference="internal"))
    return tuple(found)


def _reactions(frames: Sequence[Frame], wiremap: WireMap, bit_rate: float) -> Iterator[Reaction]:
    """The report counts from the beginning of its frame, its own length on the bus is no reaction."""
    decoders = feedback_decoders(wiremap)
    beat_ns = report_ns = 0
    energised = False
    for frame in frames:
        if frame.flags & SENT:
            beat_ns = frame.t_ns if frame.can_id == HEARTBEAT else beat_ns
        elif frame.can_id == wiremap.emergency_id and energised and beat_ns:
            if int.from_bytes(frame.data[:2], "little") in LOST:
                report_ns = frame.t_ns - round(frame_bits(frame.can_id, frame.data) / bit_rate * 1e9)
        elif (status := _status(decoders.get(frame.can_id), frame)) is not None:
            on = wiremap.is_energised.holds(status)
            if report_ns and energised and not on:
                yield Reaction(beat_ns, report_ns, frame.t_ns)
                report_ns = 0
            energised = on


def _status(decoder: FrameDecoder | None, frame: Frame) -> int | None:
    if decoder is None or "statusword" not in decoder.roles or len(frame.data) != decoder.length:
        return None
    return int(decoder.values(frame.data)[decoder.roles.index("statusword")])


DECLARATION = Declaration(
    name="loss reaction",
    title="reaction to communication loss",
    method="each drive holds its joint while the host's heartbeat ends; time to its report and to its power going off",
    quantities=("loss_reaction_time", "loss_off_time"),
    per_joint=False,
    setups=(SetUp.CLAMPED,),
    energy_class=1,
    posture="hanging, where the leg rests",
    reference="internal: the adapter's time stamps",
    duration_s=15.0,
    move=move,
    evaluate=evaluate,
)


def run(bench: Bench) -> tuple[Measurement, ...]:
    """Let each drive miss the host: `loss_reaction_time` and `loss_off_time` of each joint's."""
    return run_procedure(DECLARATION, bench)
