"""A sign-off as a JSON object: what it says, its hash, and the evidence in it."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import Any

from legtest.description.grade import Grade
from legtest.errors import UsageError
from legtest.signoff.evidence import HandMove, StopSeen

CARRIAGE = ("caught", "clamped", "lowest")
GRADES: Mapping[str, Grade] = {grade.words: grade for grade in Grade if grade > Grade.LISTEN}
MOST_POINTS = 100  # of a hand-move, as kept


def digest(document: Mapping[str, Any]) -> str:
    """SHA-256 over everything but the hash itself. It finds changes, by accident or by hand; it is no signature."""
    rest = {key: value for key, value in document.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def evidence_json(
    steps: Sequence[tuple[str, str]], moves: Sequence[HandMove], stop: Sequence[StopSeen], answers: Mapping[str, str]
) -> dict[str, Any]:
    """The evidence of a sign-off, small enough to be read by people: angles to 0.1 mrad, times to 1 ms."""
    return {
        "scan": [{"step": name, "found": found} for name, found in steps],
        "emergency_stop": [seen._asdict() for seen in stop],
        "hand_moves": [
            {
                "joint": move.joint,
                "t_s": [round(t, 3) for t in move.t_s],
                "angles_rad": {name: [round(a, 4) for a in track] for name, track in move.angles_rad.items()},
            }
            for move in moves
        ],
        "answers": dict(answers),
    }


def evidence_of(section: Mapping[str, Any]) -> tuple[tuple[HandMove, ...], tuple[StopSeen, ...]]:
    """Hand-moves and emergency stop of an evidence section. Raises KeyError, TypeError, ValueError for another form."""
    moves = tuple(
        HandMove(
            _text(move["joint"]),
            _numbers(move["t_s"]),
            {_text(name): _numbers(track) for name, track in dict(move["angles_rad"]).items()},
        )
        for move in section["hand_moves"]
    )
    stop = tuple(_stop_seen(seen) for seen in section["emergency_stop"])
    return moves, stop


def _stop_seen(seen: Mapping[str, Any]) -> StopSeen:
    lost, back = _numbers([seen["lost_s"], seen["back_s"]])
    volts = seen["supply_V"]
    return StopSeen(_text(seen["axis"]), lost, back, None if volts is None else _numbers([volts])[0])


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is no name")
    return value


def _numbers(values: Any) -> tuple[float, ...]:
    if not isinstance(values, list):
        raise TypeError(f"{values!r:.40} is no list")
    for value in values:
        if type(value) not in (int, float) or not isfinite(value):
            raise TypeError(f"{value!r:.40} is no number")
    return tuple(float(value) for value in values)


def thinned(move: HandMove) -> HandMove:
    """At most MOST_POINTS points of it, both ends among them."""
    count = len(move.t_s)
    if count <= MOST_POINTS:
        return move
    kept = [round(i * (count - 1) / (MOST_POINTS - 1)) for i in range(MOST_POINTS)]
    tracks = {name: tuple(track[i] for i in kept) for name, track in move.angles_rad.items()}
    return HandMove(move.joint, tuple(move.t_s[i] for i in kept), tracks)


def write_signoff(path: str | Path, document: Mapping[str, Any]) -> None:
    """Write a new file that only its owner can write. Raises UsageError when something is there already."""
    text = json.dumps({**document, "sha256": digest(document)}, indent=1) + "\n"
    try:
        fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    except OSError as error:
        hint = "; move the old one away first" if isinstance(error, FileExistsError) else ""
        raise UsageError(f"{path}: the sign-off cannot be written: {error.strerror}{hint}") from error
    with os.fdopen(fd, "w", encoding="utf-8") as file:
        file.write(text)
