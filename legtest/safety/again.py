"""The short form of the pre-check before power comes on again: the drives are still those that passed."""

from __future__ import annotations

from legtest.canbus.wiremap import HomeSetting, ObjectWrite
from legtest.errors import LegtestError
from legtest.safety.gate import payload
from legtest.safety.loop import Loop
from legtest.safety.permit import Permit
from legtest.safety.refuse import refuse
from legtest.safety.unpowered import drives_off, identity

LOOK_NS = 10_000_000_000  # what was looked at or under control a moment ago is not asked again
RPDO_MAPS = range(0x1600, 0x1800)  # CiA 301: sub-index n holds index, sub-index and length of the n-th mapped object


def look_again(loop: Loop, key: Permit) -> None:
    """Serial numbers, states and settings of unpowered drives, as the pre-check left them.

    What has changed voids the permit. Raises NotPermitted for a key that is worth nothing, PrecheckRefused, DriveError,
    LinkError.
    """
    loop.ledger.grant(key, loop.link.now_ns())
    if loop.powered or loop.link.now_ns() - loop.looked_ns < LOOK_NS:
        return
    try:
        identity(loop)
        drives_off(loop)
        for index, axis in enumerate(loop.setup.axes):
            for write in _standing(loop.setup.objects[index], axis.home):
                kept, wrote = loop.access.read(axis.node, write.entry, write.sub), payload(write)
                if kept != wrote:
                    refuse(
                        "short form", f"{axis.axis}: object 0x{write.entry:04X}:{write.sub:02X} holds {kept.hex()}",
                        f"{wrote.hex()} ({write.what})", "another program has changed it, or the drive has lost it",
                    )  # fmt: skip
    except LegtestError as error:
        loop.ledger.revoke(str(error))
        raise
    loop.looked_ns = loop.link.now_ns()


def _standing(writes: tuple[ObjectWrite, ...], home: HomeSetting | None) -> list[ObjectWrite]:
    """What each object was left at; without those that set-points carry or a home changes."""
    carried = {(w.value >> 16, w.value >> 8 & 0xFF) for w in writes if w.entry in RPDO_MAPS and w.sub}
    if home is not None:
        carried |= {(write.entry, write.sub) for write in (*home.before, *home.after)}
    last = {(write.entry, write.sub): write for write in writes}  # maps are written while their PDO is off
    return [write for place, write in last.items() if place not in carried]
