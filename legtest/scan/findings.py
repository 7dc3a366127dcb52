"""What is wrong with a bus, named: from what was heard, what was answered, and what a leg file expects."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from legtest.scan.ask import IDENTITY, Asked
from legtest.scan.listen import OF_A_MASTER, UNKNOWN, Heard

_REGISTER = ("generic", "current", "voltage", "temperature", "communication", "device profile", "", "manufacturer")
_TAKEN_TWICE = 0.75  # of the declared heartbeat period: what two nodes under one number come to at most is half
_NO_ANSWER = "not acknowledged"


class Finding(NamedTuple):
    """name: a few fixed words. what: as found. way_out: likely causes, and what to look at."""

    name: str
    what: str
    way_out: str

    def __str__(self) -> str:
        return f"{self.name}: {self.what}. {self.way_out}"


class Expected(NamedTuple):
    """One node of a leg file; identity: vendor, product, revision, serial, None = the file does not say."""

    joint: str
    node: int
    identity: tuple[int | None, ...]


def findings(
    heard: Heard, asked: Sequence[Asked] | None, expected: Sequence[Expected] = (), *, busy: str = ""
) -> tuple[Finding, ...]:
    """Everything that is wrong, the bus itself first.

    heard: of the whole scan, errors included. asked: None when nobody was asked. busy: the adapter's words when it
    could not get rid of its requests.
    """
    found = tuple(asked or ())
    line = tuple(_line(heard, asked, busy))
    return (
        *line,
        *_strangers(heard, found, expected),
        *_doubled(heard, found),
        *_silent(heard, asked, expected, bus_dead=bool(line) and not heard.frames),
        *_identities(found, expected),
        *_troubles(heard, found),
    )


def _line(heard: Heard, asked: Sequence[Asked] | None, busy: str) -> Iterator[Finding]:
    garbled = heard.destroyed
    said = ", ".join(f"{count} x {what}" for what, count in sorted(heard.errors.items()))
    if heard.errors.get("bus off"):
        yield Finding(
            "bus off", f"the adapter has left the bus after too many errors ({said})",
            "Check termination (120 ohm at both ends, 60 ohm measured without supply), bit rate and wiring",
        )  # fmt: skip
    if garbled and not heard.frames:
        yield Finding(
            "wrong bit rate", f"not one whole frame, but {said}",
            "Others talk at another rate than bus.bit_rate says, or CAN_H and CAN_L are swapped",
        )  # fmt: skip
    elif garbled:
        share = garbled / (garbled + heard.frames)
        yield Finding(
            "bad line", f"{heard.frames} whole frames and {said}: {share:.0%} destroyed",
            "Measure 60 ohm between CAN_H and CAN_L without supply: a terminator is missing or one too many, a branch "
            "is too long, the shield or the ground is not connected, or the sample points differ",
        )  # fmt: skip
    elif (heard.errors.get(_NO_ANSWER) or busy) and not heard.frames:
        yield Finding(
            "nobody acknowledges", busy or said,
            "No other station is awake on this bus: supply of the drives, cable, or another bit rate",
        )  # fmt: skip
    elif not heard.frames and not garbled:
        asking = "nothing was heard" if asked is None else "nothing was heard and nobody answered"
        yield Finding(
            "silence", f"{asking} in {heard.span_s:.1f} s",
            "Drives without supply, a wrong bit rate (many adapters do not show it), or a cable: look in this order",
        )  # fmt: skip


def _strangers(heard: Heard, asked: Sequence[Asked], expected: Sequence[Expected]) -> Iterator[Finding]:
    leads = [seen for seen in heard.seen if seen.kind in OF_A_MASTER]
    if leads:
        what = ", ".join(f"0x{seen.can_id:03X} ({seen.kind}, {seen.frames} frames)" for seen in leads)
        yield Finding(
            "foreign talker", f"another station leads this bus: {what}",
            "Find the program or control that is connected as well, and end it in order: it may be moving the leg",
        )  # fmt: skip
    unknown = [seen for seen in heard.seen if seen.kind == UNKNOWN]
    if unknown:
        what = ", ".join(f"0x{seen.can_id:0{8 if seen.extended else 3}X} ({seen.frames} frames)" for seen in unknown)
        yield Finding(
            "unknown traffic", f"no identifiers of CANopen: {what}",
            "A device of another protocol is on this bus; find out which before anything is asked of it",
        )  # fmt: skip
    named = {each.node for each in expected}
    others = sorted((heard.nodes | {each.node for each in asked}) - named) if expected else []
    if others:
        yield Finding(
            "stranger", f"node {', '.join(map(str, others))} is on the bus and not in the leg file",
            "Take it off, or correct the leg file: the pre-check refuses a bus with strangers",
        )  # fmt: skip


def _doubled(heard: Heard, asked: Sequence[Asked]) -> Iterator[Finding]:
    signs: dict[int, list[str]] = {}
    for each in asked:
        if each.doubled:
            serials = [f"{row[3]}" for row in each.identities if row[3] is not None]
            signs.setdefault(each.node, []).append(f"two answers to one question (serial {' and '.join(serials)})")
        declared_s = each.numbers.get("heartbeat_ms", 0) / 1000
        period_s = heard.periods_s.get(each.node)
        if period_s is not None and period_s < _TAKEN_TWICE * declared_s:
            beats = f"a heartbeat each {period_s:.3g} s where it says {declared_s:.3g} s"
            signs.setdefault(each.node, []).append(beats)
    for node in heard.uneven:
        signs.setdefault(node, []).append("heartbeats in two rhythms")
    for node, what in sorted(signs.items()):
        yield Finding(
            "duplicate id", f"node {node}: {', '.join(what)}",
            "Two devices have this number: connect them one at a time and give one of them another",
        )  # fmt: skip


def _silent(
    heard: Heard, asked: Sequence[Asked] | None, expected: Sequence[Expected], *, bus_dead: bool
) -> Iterator[Finding]:
    if asked is None or bus_dead:
        return
    answered = {each.node for each in asked}
    joints = {each.node: each.joint for each in expected}
    for node in sorted((heard.nodes | joints.keys()) - answered):
        name = f"node {node} ({joints[node]})" if node in joints else f"node {node}"
        speaks = "talks by itself and answers nothing" if node in heard.nodes else "neither talks nor answers"
        stopped = heard.states.get(node) == 0x04
        way_out = (
            "It is in the state 'stopped', in which it answers no questions: switch its supply off and on"
            if stopped
            else "Its supply, its plug, its node id or its bit rate: the others on this bus are well"
        )
        yield Finding("silent node", f"{name} {speaks}", way_out)


def _identities(asked: Sequence[Asked], expected: Sequence[Expected]) -> Iterator[Finding]:
    at = {each.node: each for each in asked}
    for want in expected:
        found = at.get(want.node)
        if found is None or found.doubled:
            continue
        got = found.identities[0]
        wrong = [
            f"{what} {mine} instead of {theirs}"
            for what, mine, theirs in zip(IDENTITY, got, want.identity, strict=True)
            if theirs is not None and mine != theirs
        ]
        if not wrong:
            continue
        belongs = next((other for other in expected if other is not want and _is(got, other)), None)
        if belongs is not None:
            yield Finding(
                "swapped", f"node {want.node} ({want.joint}) is the drive of {belongs.joint}, serial {got[3]}",
                "Two cables or two node ids are exchanged; nothing may be energised before they are right",
            )  # fmt: skip
        else:
            yield Finding(
                "another drive", f"node {want.node} ({want.joint}): {', '.join(wrong)}",
                "A drive or its firmware was exchanged: look at the label, then correct the leg file",
            )  # fmt: skip


def _is(got: Sequence[int | None], want: Expected) -> bool:
    """Whether this is the very drive of the leg file, by its serial number and all else that is said of it."""
    pairs = zip(got, want.identity, strict=True)
    return want.identity[3] is not None and all(said is None or said == mine for mine, said in pairs)


def _troubles(heard: Heard, asked: Sequence[Asked]) -> Iterator[Finding]:
    for each in asked:
        register = each.numbers.get("error_register", 0)
        if register:
            bits = [words for bit, words in enumerate(_REGISTER) if register >> bit & 1 and words]
            yield Finding(
                "drive error", f"node {each.node}: error register 0x{register:02X} ({', '.join(bits)})",
                "Look at the drive's own list of errors; a fault is cleared by a person who knows its cause",
            )  # fmt: skip
        if is_energised(each.numbers):
            yield Finding(
                "energised", f"node {each.node}: its power stage is on, status word 0x{each.numbers['status']:04X}",
                "Keep hands clear; press the emergency stop, and find out who switched it on",
            )  # fmt: skip
    codes = dict.fromkeys((each.node, each.code) for each in heard.emergencies if each.code)
    for node, code in codes:
        yield Finding("emergency", f"node {node} reported 0x{code:04X}", "See the drive's manual for this code")


def is_energised(numbers: Mapping[str, int]) -> bool:
    """Whether a CiA 402 drive says that its power stage is on (operation enabled, or a quick stop that is held)."""
    servo = numbers.get("device_type", 0) & 0xFFFF == 402
    return servo and "status" in numbers and numbers["status"] & 0x4F in (0x07, 0x0F)
