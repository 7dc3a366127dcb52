"""One scan: listen, decide whether asking is harmless, ask, and name what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from typing import NamedTuple

from legtest.canbus.frame import Frame
from legtest.canbus.link import Link
from legtest.errors import BusBusy, LinkError
from legtest.scan.ask import Asked, Reads, ask
from legtest.scan.findings import Expected, Finding, findings
from legtest.scan.listen import OF_A_MASTER, UNKNOWN, Heard, hear

Opened = Callable[[bool], AbstractContextManager[Link]]  # whether to listen only -> the bus


class Scan(NamedTuple):
    """What a scan found.

    heard: before anything was asked. whole: with what came while asking, its rhythms and loads those of `heard`.
    asked: None when nobody was; unasked says why.
    """

    heard: Heard
    whole: Heard
    asked: tuple[Asked, ...] | None
    findings: tuple[Finding, ...]
    unasked: str


def scan_bus(
    opened: Opened, bit_rate: int, listen_ns: int, *, unseen: bool = False, may_ask: bool | None = None,
    expected: Sequence[Expected] = (),
) -> Scan:  # fmt: skip
    """Listen for a span, then ask every node id, with reads alone.

    unseen: listen on a bus opened to listen only, then open it again to ask. may_ask: None asks only where frames
    arrive whole, nobody else leads the bus and nothing speaks another protocol: to that a question could be a command.
    Raises UsageError, LinkError where the bus cannot be opened or heard.
    """
    early: list[Frame] = []
    if unseen:
        with opened(True) as link:
            early = link.pump(link.now_ns() + listen_ns)
        heard = hear(early, listen_ns, bit_rate)
        unasked = _why_not(heard, may_ask)
        if unasked:
            return Scan(heard, heard, None, findings(heard, None, expected), unasked)
    with opened(False) as link:
        reads = Reads(link)
        if not unseen:
            reads.pump(listen_ns)
            heard = hear(reads.frames, listen_ns, bit_rate)
            unasked = _why_not(heard, may_ask)
        asked, failed = (None, None) if unasked else _asked(reads, heard)
    whole = hear([*early, *reads.frames], listen_ns, bit_rate)
    whole = whole._replace(periods_s=heard.periods_s, uneven=heard.uneven)  # questions and answers have no rhythm
    busy = str(failed) if isinstance(failed, BusBusy) else ""
    lost = () if failed is None or busy else (_lost(failed),)
    return Scan(heard, whole, asked, (*lost, *findings(whole, asked, expected, busy=busy)), unasked)


def _why_not(heard: Heard, may_ask: bool | None) -> str:
    """Why nobody is asked, "" = they are."""
    if may_ask is not None:
        return "" if may_ask else "it was not wanted"
    if heard.destroyed and not heard.frames:
        return "only destroyed frames were heard; questions at a wrong bit rate destroy more. --ask asks all the same"
    others = sorted({seen.kind for seen in heard.seen if seen.kind in (*OF_A_MASTER, UNKNOWN)})
    return f"others' traffic on the bus ({', '.join(others)}); --ask asks all the same" if others else ""


def _asked(reads: Reads, heard: Heard) -> tuple[tuple[Asked, ...] | None, LinkError | None]:
    try:
        return ask(reads, beating=heard.states), None
    except LinkError as error:
        return None, error


def _lost(error: LinkError) -> Finding:
    return Finding("adapter lost", str(error), "Look at the adapter first, and scan again")
