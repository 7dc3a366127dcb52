"""How a drive behaves, for a firmware that cannot say what it is: when it answers, and how it keeps a torque limit.

A firmware that was typed and not reported may have been typed wrongly. Two runs with the same text and another
behaviour say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from legtest.canbus.frame import Frame
from legtest.canbus.wiremap import WireMap
from legtest.errors import RecordError
from legtest.records.reading import Part, Run, SegmentRecord
from legtest.records.trace import Trace

MOST_FRAMES = 5000  # of a movement: some hundred answers of every drive
_FEWEST = 20  # answers, or samples at a limit, that make a figure
_AT_LIMIT = 0.9  # share of the torque cap from which a sample counts as held by it


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """One joint's drive, in the movement of one test.

    reply_us, reply_p99_us: from SYNC to the frame with its position, median and 99th percentile.
    limit_response: the largest torque it reports over the cap it was given, nan where it never came near the cap.
    """

    leg: str
    joint: str
    test: str
    reply_us: float
    reply_p99_us: float
    limit_response: float


def fingerprints(run: Run) -> tuple[Fingerprint, ...]:
    """One for each joint of each leg that moved, from the first movements that can be read, homing before others."""
    found: dict[tuple[str, str], Fingerprint] = {}
    for part in run.parts:
        leg = run.leg(part.leg)
        moves = sorted(part.segments, key=lambda record: record.segment.procedure != "homing")
        if leg is None or not moves:
            continue
        about = moves[0].segment.joint
        if all(_is_known(found.get((leg.name, joint))) for joint in (leg.joint_names if about is None else (about,))):
            continue
        for new in _of_movement(part, leg.name, moves[0]):
            key = new.leg, new.joint
            if not _is_known(found.get(key)) and (_is_known(new) or key not in found):
                found[key] = new
    return tuple(found.values())


def _is_known(fingerprint: Fingerprint | None) -> bool:
    return fingerprint is not None and isfinite(fingerprint.limit_response)


def _of_movement(part: Part, leg: str, record: SegmentRecord) -> Iterator[Fingerprint]:
    try:
        spans = record.segment.spans
        first, last = min(s.first for s in spans), max(s.last for s in spans)
        frames = part.frames(first, min(last, first + MOST_FRAMES))
        columns = [f"{wiremap.axis}.{signal}" for wiremap in part.wiremaps for signal in ("torque", "torque_cap")]
        traces = [part.samples(name, columns) for name in record.samples]
    except (RecordError, ValueError):
        return
    for wiremap in part.wiremaps:
        replies = np.array(list(_replies(frames, wiremap, part.sync_id))) / 1000
        enough = len(replies) >= _FEWEST
        held = np.concatenate([np.empty(0), *(_held(trace, wiremap.axis) for trace in traces)])
        yield Fingerprint(
            leg,
            wiremap.axis,
            record.test,
            round(float(np.median(replies)), 1) if enough else nan,
            round(float(np.percentile(replies, 99)), 1) if enough else nan,
            round(float(held.max()), 3) if len(held) >= _FEWEST else nan,
        )


def _held(trace: Trace, axis: str) -> NDArray[np.float64]:
    """Reported torque over torque cap, of the samples where the cap held it."""
    torque, cap = (trace.columns.get(f"{axis}.{signal}") for signal in ("torque", "torque_cap"))
    if torque is None or cap is None:
        return np.empty(0)
    known = np.isfinite(torque) & np.isfinite(cap) & (cap > 0)
    ratio: NDArray[np.float64] = np.abs(torque[known]) / cap[known]
    return ratio[ratio > _AT_LIMIT]


def _replies(frames: Iterable[Frame], wiremap: WireMap, sync_id: int) -> Iterator[int]:
    """Nanoseconds from each SYNC to the position that answers it."""
    can_id = next(signal.can_id for signal in wiremap.feedback if signal.role == "position")
    sync_ns: int | None = None
    for frame in frames:
        if frame.can_id == sync_id:
            sync_ns = frame.t_ns
        elif frame.can_id == can_id and sync_ns is not None:
            yield frame.t_ns - sync_ns
            sync_ns = None
