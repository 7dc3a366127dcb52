"""Whether two values were taken under the same conditions; where they were not, their difference says nothing.

A measurement states its covariates. Those that are conditions (temperature, load, ...) must lie within a window of each
other; others are results of their own, such as the friction found along the way, and may differ.
"""

from __future__ import annotations

from math import isfinite

from legtest.history.snapshot import Snapshot
from legtest.metrology.measurement import Measurement
from legtest.units import show

TEMPERATURE_WITHIN_K = 10.0  # friction changes by some per cent for each kelvin
OTHERS_WITHIN = 0.10  # share of the larger of the two
# A covariate is a condition when one of these is a part of its name.
CONDITIONS = (
    "amplitude", "cycles", "frequency", "height", "held", "landings", "load", "mass", "payload", "preload", "rate",
    "rpm", "speed", "stroke", "supply", "torque", "warm", "weight",
)  # fmt: skip


def conditions_differ(new: Measurement, old: Measurement) -> str:
    """Why two measurements of one quantity cannot be compared, "" = they can."""
    if new.kind != old.kind:
        return f"one is of kind {new.kind}, the other of {old.kind}"
    if new.reference != old.reference:
        return f"their references differ: {new.reference} now, {old.reference} then"
    for name in dict.fromkeys([*new.covariates, *old.covariates]):
        if _is_temperature(name) or _is_condition(name):
            reason = _differs(name, new.covariates.get(name), old.covariates.get(name))
            if reason:
                return reason
    return ""


def places_differ(new: Snapshot, old: Snapshot) -> str:
    """Why nothing of two runs can be compared: another bench, stand or mode; "" = it can."""
    if new.mode != old.mode:
        return f"one is {new.mode}, the other {old.mode}"
    if new.setting != old.setting:
        names = sorted(new.setting.keys() | old.setting.keys())
        changed = [n for n in names if new.setting.get(n) != old.setting.get(n)]
        said = ", ".join(f"{n} ({old.setting.get(n)} then, {new.setting.get(n)} now)" for n in changed[:4])[:400]
        what = "stand" if all(name.startswith("stand.") for name in changed) else "bench"
        return f"the {what} differs: {said}{' and more' if len(changed) > 4 else ''}"
    return ""


def parts_changed(new: Snapshot, old: Snapshot) -> tuple[str, ...]:
    """Exchanged drives, and another simulated leg: then what is systematic does not cancel."""
    before = {(d.leg, d.joint): d for d in old.drives}
    changed = []
    if new.seed != old.seed:
        changed.append(f"another simulated leg: seed {old.seed} -> {new.seed}")
    for drive in new.drives:
        was = before.get((drive.leg, drive.joint))
        if was is not None and was.serial != drive.serial:
            changed.append(f"{drive.joint} drive: serial {_or(was.serial)} -> {_or(drive.serial)}")
    return tuple(changed)


def others_changed(new: Snapshot, old: Snapshot) -> tuple[str, ...]:
    """What else a person should know of: firmware, leg file, faults put in, drives that behave otherwise."""
    before = {(d.leg, d.joint): d for d in old.drives}
    changed = [f"{leg}: the leg file was changed" for leg, sha in new.legs.items() if old.legs.get(leg, sha) != sha]
    if new.faults != old.faults:
        changed.append(f"faults put in: {', '.join(old.faults) or 'none'} -> {', '.join(new.faults) or 'none'}")
    for drive in new.drives:
        was = before.get((drive.leg, drive.joint))
        if was is None:
            continue
        if was.declared_firmware != drive.declared_firmware:
            then, now = was.declared_firmware or "not stated", drive.declared_firmware or "not stated"
            changed.append(f"{drive.joint} drive: declared firmware {then} -> {now}")
        if (was.vendor, was.product, was.revision) != (drive.vendor, drive.product, drive.revision):
            changed.append(f"{drive.joint} drive: vendor, product or revision")
    return (*changed, *_behaviour(new, old))


def _behaviour(new: Snapshot, old: Snapshot) -> list[str]:
    """Drives that answer, or keep a torque limit, otherwise than before."""
    before = {(f.leg, f.joint): f for f in old.fingerprints}
    said = []
    for f in new.fingerprints:
        was = before.get((f.leg, f.joint))
        if was is None or was.test != f.test:
            continue  # in another movement a drive answers at another time: others are on the bus before it
        if abs(f.reply_us - was.reply_us) > max(50.0, 0.2 * was.reply_us):
            said.append(f"{f.joint} drive answers after {f.reply_us:g} us, {was.reply_us:g} us before")
        if abs(f.limit_response - was.limit_response) > 0.1:
            now, then = f.limit_response, was.limit_response
            said.append(f"{f.joint} drive reports up to {now:g} of its torque cap, {then:g} before")
    return said


def _is_temperature(name: str) -> bool:
    return "temperature" in name or name.endswith(("_C", "_degC"))


def _is_condition(name: str) -> bool:
    return any(word in CONDITIONS for word in name.split("_"))


def _differs(name: str, new: float | None, old: float | None) -> str:
    if new is None or old is None or not (isfinite(new) and isfinite(old)):
        return f"{name} is known of {'the baseline' if new is None else 'this run'} alone"
    if _is_temperature(name):
        if abs(new - old) <= TEMPERATURE_WITHIN_K:
            return ""
        then, now = show(old, "temperature"), show(new, "temperature")
        return f"{name}: {then} then, {now} now, more than {TEMPERATURE_WITHIN_K:g} K apart"
    if abs(new - old) <= OTHERS_WITHIN * max(abs(new), abs(old)):
        return ""
    return f"{name}: {old:.4g} then, {new:.4g} now, more than {OTHERS_WITHIN:.0%} apart"


def _or(serial: int | None) -> str:
    return "not stated" if serial is None else str(serial)
