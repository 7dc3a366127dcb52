"""A piece of leg file for the drives that answered: what the bus says is filled in, the rest is marked."""

from __future__ import annotations

from collections.abc import Sequence

from legtest.scan.ask import Asked

FILL_IN = "FILL-IN"
_SERVO = 402


def proposal(asked: Sequence[Asked]) -> str:
    """YAML for the `joints` of a leg file, "" where no drive answered that could go into one.

    Which joint a node moves, signs, ratios and limits are not on the bus; nothing is guessed.
    """
    drives = [each for each in asked if not each.doubled and each.numbers.get("device_type", 0) & 0xFFFF == _SERVO]
    if not drives:
        return ""
    lines = [
        f"joints:  # {FILL_IN} is what the bus does not say; legtest check names whatever is still missing",
        "  # Which joint a node moves is not on the bus: move each by hand, unpowered, and watch (legtest signoff).",
    ]
    for number, each in enumerate(drives, 1):
        lines += _drive(number, each)
    return "\n".join(lines) + "\n"


def _drive(number: int, each: Asked) -> list[str]:
    vendor, product, revision, serial = each.identities[0]
    named = " ".join(word for word in (each.texts.get("name"), each.texts.get("firmware")) if word)
    torque = each.numbers.get("rated_torque_mNm")
    known = [f'      rated_torque: "{torque / 1000:g} N*m"  # the drive\'s object 0x6076'] if torque else []
    hexadecimal = (("vendor", vendor), ("product", product), ("revision", revision))
    known += [f"      {what}: 0x{value:08X}" for what, value in hexadecimal if value is not None]
    known += [f"      serial: {serial}"] if serial is not None else []
    return [
        f"  {FILL_IN}-{number}:  # hip, knee or abduction",
        f"    drive:{'  # ' + ascii(named)[1:-1] if named else ''}",
        "      protocol: cia402",
        f"      node: {each.node}",
        f"      eds: {FILL_IN}.eds",
        f"      counts_per_turn: {FILL_IN}",
        f"      sign: {FILL_IN}",
        *known,
    ]
