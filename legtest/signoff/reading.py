"""Reading a sign-off: it must hold for the files, drives, computer and hour in use, and show what it claims."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, LegDescription
from legtest.errors import UsageError
from legtest.signoff.document import CARRIAGE, GRADES, digest, evidence_of
from legtest.signoff.evidence import HandMove, StopSeen, gone_below_V, wrong_moves, wrong_stop

LONGEST = timedelta(hours=8)
_LARGEST = 65_536  # bytes
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_ANEW = "have the bench signed off anew: legtest signoff (a rehearsal writes its own each time it is started)"


@dataclass(frozen=True, slots=True)
class SignOff:
    """What was signed. serials: of the drives, in joint order. rehearsal: no hardware was looked at, none is meant.

    grade: what was looked at suffices for this much. attended: somebody stays at the emergency stop while it runs.
    carriage: "caught", "clamped" or "lowest", as it was seen. moves, stop: what the bus showed, empty in a rehearsal
    whose person was not played.
    """

    by: str
    rehearsal: bool
    serials: tuple[int, ...]
    made_at: datetime
    valid_until: datetime
    grade: Grade = Grade.FREE_MOTION
    attended: bool = True
    carriage: str = "caught"
    moves: tuple[HandMove, ...] = field(default=(), repr=False)
    stop: tuple[StopSeen, ...] = ()


def read_signoff(path: str | Path, leg: LegDescription, bench: BenchDescription, now: datetime) -> SignOff:
    """The sign-off of a file, checked against the files in use. now: with its zone.

    Only a rehearsal's may leave out grade, attended, carriage, stand and evidence: then nothing stands behind it, and
    no hardware in front. Raises UsageError with everything that is wrong with it, and the way out.
    """
    document = _load(path)
    wrong: list[str] = []

    def field_of(key: str, kind: type, meant: str) -> Any:
        value = document.get(key)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            wrong.append(f"{key}: expected {meant}, not {json.dumps(value)[:60]}")
            return None
        return value

    by = field_of("by", str, "a name")
    rehearsal = field_of("REHEARSAL", bool, "true or false")
    bindings = [
        ("leg_sha256", leg.sha256, leg.path),
        ("bench_sha256", bench.sha256, bench.path),
        ("boot_id", boot_id(), ""),
    ]
    if rehearsal is not True or "stand_sha256" in document:
        bindings.append(("stand_sha256", bench.stand.sha256, bench.stand.path))
    for key, used, what in bindings:
        said = field_of(key, str, "a text")
        if said is not None and said != used:
            wrong.append(f"{key}: {what} has changed since" if what else f"{key}: the computer was started again since")
    made, end = (_instant(field_of(key, str, "an instant"), key, wrong) for key in ("made_at", "valid_until"))
    if made is not None and end is not None and not wrong:
        if end - made > LONGEST:
            wrong.append(f"valid_until: more than {LONGEST.seconds // 3600} hours after made_at")
        if not made <= now < end:
            wrong.append(f"valid_until: it holds from {made.isoformat()} to {end.isoformat()}; it is {now.isoformat()}")
    serials = _serials(field_of("serials", dict, "a serial number for each joint"), leg, wrong)
    shown = _shown(document, field_of, wrong, leg, bench) if rehearsal is not True or "evidence" in document else {}
    if wrong or made is None or end is None:
        raise UsageError("\n".join(f"{path}: {problem}" for problem in wrong) + f"\n{_ANEW}")
    return SignOff(by, rehearsal, serials, made, end, **shown)


def _shown(
    document: dict[str, Any],
    field_of: Callable[[str, type, str], Any],
    wrong: list[str],
    leg: LegDescription,
    bench: BenchDescription,
) -> dict[str, Any]:
    """Grade, attendance, carriage and evidence; whatever the evidence does not bear out is added to `wrong`."""
    if field_of("sha256", str, "a hash") not in (None, digest(document)):
        wrong.append("sha256: something in this file was changed after it was signed")
    grade = GRADES.get(field_of("grade", str, f"one of {', '.join(GRADES)}") or "")
    carriage = field_of("carriage", str, f"one of {', '.join(CARRIAGE)}")
    attended = field_of("attended", bool, "true or false")
    if grade is None:
        wrong.append(f"grade: expected one of {', '.join(GRADES)}")
    if carriage is not None and carriage not in CARRIAGE:
        wrong.append(f"carriage: expected one of {', '.join(CARRIAGE)}")
    try:
        moves, stop = evidence_of(field_of("evidence", dict, "a section") or {})
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        wrong.append(f"evidence: not in the form of a sign-off ({type(error).__name__}: {error})")
        return {}
    wrong += [f"evidence: {problem}" for problem in wrong_moves(leg, moves)]
    if grade is not None and grade > Grade.UNPOWERED:
        button = bench.protection.emergency_stop if bench.protection else None
        if button is None:
            wrong.append(f"grade: {grade.words} without an emergency stop on this bench")
        else:
            wrong += [f"evidence: {problem}" for problem in wrong_stop(leg, button.cuts, stop, gone_below_V(bench))]
    return {"grade": grade, "attended": attended, "carriage": carriage, "moves": moves, "stop": stop}


def _load(path: str | Path) -> dict[str, Any]:
    """The JSON object in a file that nobody else could have written."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        reason = "it is a symbolic link; name the file itself" if error.errno == errno.ELOOP else error.strerror
        raise UsageError(f"{path}: the sign-off cannot be read: {reason}\n{_ANEW}") from error
    try:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode) or found.st_size > _LARGEST:
            raise UsageError(f"{path}: a sign-off is a small file, which this is not\n{_ANEW}")
        if found.st_uid not in (0, os.geteuid()) or found.st_mode & 0o022:
            mode = f"{stat.S_IMODE(found.st_mode):03o}"
            raise UsageError(
                f"{path}: other users could have written this sign-off (owner {found.st_uid}, mode {mode}); "
                f"it must be yours or root's and writable by no other (chmod go-w)"
            )
        document = json.loads(os.read(fd, _LARGEST))
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: the sign-off is not JSON: {error}\n{_ANEW}") from error
    finally:
        os.close(fd)
    if not isinstance(document, dict):
        raise UsageError(f"{path}: the sign-off is not a JSON object\n{_ANEW}")
    return document


def boot_id() -> str:
    """What the kernel calls this start of the computer. Raises UsageError where it does not say."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError as error:
        raise UsageError(f"a sign-off needs Linux: {_BOOT_ID} cannot be read") from error


def _instant(text: str | None, key: str, wrong: list[str]) -> datetime | None:
    if text is None:
        return None
    try:
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is not None:
            return instant
    except ValueError:
        pass
    wrong.append(f"{key}: expected an instant with its zone, like 2031-05-06T07:08:09+00:00, not {text[:60]!r}")
    return None


def _serials(said: dict[str, Any] | None, leg: LegDescription, wrong: list[str]) -> tuple[int, ...]:
    """Of every joint's drive: as signed, and the same as in the leg file where that names one."""
    if said is None:
        return ()
    if said.keys() != set(leg.joint_names) or not all(type(number) is int for number in said.values()):
        wrong.append(f"serials: expected a number for each of {', '.join(leg.joint_names)}")
        return ()
    for joint in leg.joints:
        if joint.drive.serial not in (None, said[joint.name]):
            wrong.append(
                f"serials: {joint.name}: signed off with {said[joint.name]}, the leg file says {joint.drive.serial}"
            )
    return tuple(said[name] for name in leg.joint_names)
