"""Opening a live bench: a real adapter with a person's sign-off, or a running rehearsal. Both through the keeper.

Real hardware must not hang on the process that runs the tests: when that dies in mid-motion, nobody would be left to
stop the leg in order. So the loop runs in a keeper process of its own, on the far side of a pipe.
"""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import NoReturn

from legtest import wiring
from legtest.bench import Bench
from legtest.canbus.read_only import ReadOnlyLink
from legtest.description.grade import Grade
from legtest.description.model import BenchDescription, Instrument, LegDescription
from legtest.description.setup import SetUp
from legtest.errors import NotRun, UsageError
from legtest.hands import Hands
from legtest.keeper.identity import identity_of
from legtest.readiness import Found, assess, capped
from legtest.recording import Log
from legtest.safety.port import Port
from legtest.safety.setup import Setup
from legtest.signoff import SignOff, read_signoff

ARRANGE_S = 60.0
REHEARSED_CLASS = 3  # nobody can be hurt by a simulated leg


def open_live(
    leg: LegDescription,
    bench: BenchDescription,
    signoff_path: str | Path,
    *,
    log: Log,
    folder: Path | None,
    events: Callable[[str], None],
    may_energise: Callable[[], str],
    now: datetime,
) -> Bench:
    """The bench of a leg on a live bus, or on the channel of a running rehearsal.

    folder: the part of the record, whose frame log is written by the keeper; None keeps none. events: told what the
    loop notes. may_energise: answers why power is refused now. now: the time of day, with its zone.
    Raises UsageError, before anything is opened, for the system, the sign-off and what the bench is not ready for, and
    for a channel that is not what the sign-off is about; LinkError for an adapter that cannot be used.
    """
    require_linux()
    signoff = read_signoff(signoff_path, leg, bench, now)
    if not signoff.rehearsal:
        check_adapter(bench)
    setup = wiring.setup_of(leg, bench)
    identity = tuple(node._replace(serial=n) for node, n in zip(setup.identity, signoff.serials, strict=True))
    setup = replace(setup, identity=identity)
    grade, allowed = permitted(leg, bench, signoff, setup, str(signoff_path))
    setup = capped(setup, grade)
    from legtest.keeper.port import PipePort
    from legtest.keeper.start import start

    started = start(
        setup, bench.interface, bench.channel, bench.bit_rate, rehearsal=signoff.rehearsal, folder=folder
    )  # fmt: skip
    ended = _end_of(signoff, now)
    port = PipePort(started, lambda: ended(port.now_ns()) or may_energise(), events)
    hands: Hands = PlayedHands(bench.channel) if signoff.rehearsal else NobodysHands()
    made = Bench(
        leg, bench, port, setup.axes, sync_id=setup.sync_id,
        period_ns=setup.period_ns, speed_rad_s=[joint.speed_rad_s for joint in setup.joints], hands=hands, log=log,
        by=signoff.by,
    )  # fmt: skip
    made.energy.allowed = allowed
    return made


def _end_of(signoff: SignOff, now: datetime) -> Callable[[int], str]:
    """Why no power comes on at an instant of the bus' clock, which nobody sets: the hours of the sign-off are over."""
    left_ns = (signoff.valid_until - now).total_seconds() * 1e9
    end = signoff.valid_until.isoformat(timespec="minutes")
    return lambda now_ns: f"the sign-off ended at {end}: sign the bench off anew" if now_ns >= left_ns else ""


def open_unpowered(leg: LegDescription, bench: BenchDescription) -> Port:
    """A look at the bus without power: `scan` and `pump`. The keeper's own ledger issues no permit for it.

    Raises UsageError, LinkError.
    """
    require_linux()
    rehearsal = identity_of(bench.interface, bench.channel).startswith("rehearsal:")
    if not rehearsal:
        check_adapter(bench)
    setup = replace(wiring.setup_of(leg, bench), permit_ns=0)
    from legtest.keeper.port import PipePort
    from legtest.keeper.start import start

    started = start(setup, bench.interface, bench.channel, bench.bit_rate, rehearsal=rehearsal, folder=None)
    return PipePort(started, lambda: "this look at the bench is unpowered", lambda _: None)


@contextmanager
def opened_to_read(bench: BenchDescription, *, listen_only: bool = False) -> Iterator[ReadOnlyLink]:
    """The bus of a bench in this very process, for listening and reading objects; checks what is plugged in.

    listen_only: acknowledge nothing, where the adapter can (see `listens_unseen`). No leg is needed, and nothing but
    reads gets out, so that no keeper is needed either. Raises UsageError, LinkError.
    """
    require_linux()
    from legtest.keeper.adapter import AdapterLock, open_adapter
    from legtest.keeper.hands import RehearsalHands

    rehearsal = identity_of(bench.interface, bench.channel).startswith("rehearsal:")
    if not rehearsal:
        check_adapter(bench)
    link, kept = open_adapter(
        bench.interface, bench.channel, bench.bit_rate, rehearsal=rehearsal, listen_only=listen_only
    )
    try:
        yield ReadOnlyLink(link)
    finally:
        link.close()
        if isinstance(kept, RehearsalHands | AdapterLock):
            kept.close()


def listens_unseen(bench: BenchDescription) -> bool:
    """Whether the adapter can listen without acknowledging what others send."""
    require_linux()
    from legtest.canbus.live import PASSIVE

    return bench.interface in PASSIVE


def check_adapter(bench: BenchDescription) -> None:
    """Raises UsageError when what is plugged in is not the adapter that the bench file declares."""
    declared = bench.protection.adapter if bench.protection else None
    found = identity_of(bench.interface, bench.channel)
    key = found.rsplit(":", 1)[-1]
    if declared is None or key not in declared.replace(",", " ").split():
        raise UsageError(
            f"{bench.path}: protection.adapter: '{declared or 'none'}' does not name the adapter at {bench.channel}, "
            f"which is {found}; plug in the right one, or write '{key}' there after looking at it"
        )


def permitted(
    leg: LegDescription, bench: BenchDescription, signoff: SignOff, setup: Setup, path: str
) -> tuple[Grade, int]:
    """The grade and the highest energy class of a run. Raises UsageError when no power may be applied at all."""
    if signoff.rehearsal:
        return signoff.grade, REHEARSED_CLASS
    ready = assess(leg, bench, signoff, Found(setup, ()))
    grade = min(ready.grade, signoff.grade)
    if grade < Grade.TORQUE_CAPPED:
        problems = [str(refusal) for refusal in ready.refusals if refusal.grade <= Grade.TORQUE_CAPPED]
        if signoff.grade < Grade.TORQUE_CAPPED:
            problems.insert(0, f"it was signed for '{signoff.grade.words}' only")
        raise UsageError(
            f"{path}: with this sign-off no power is applied, and a live run needs it:\n"
            + "\n".join(f"  {problem}" for problem in problems)
            + "\nlegtest ready says what is missing and the cheapest way there"
        )
    return grade, ready.allowed_class if grade == ready.grade else 1


def require_linux(what: str = "a live bench") -> None:
    """Raises UsageError on a system without what a live bench and a rehearsal need."""
    try:
        import fcntl  # noqa: F401
        import pty  # noqa: F401
        import termios  # noqa: F401

        known = sys.platform == "linux" and hasattr(socket, "AF_UNIX")
    except ImportError:
        known = False
    if not known:
        raise UsageError(
            f"{what} needs Linux, not {sys.platform}; the cheapest way is a small Linux computer at the bench, "
            "with the adapter, that runs the tests. Without --live the leg is simulated anywhere"
        )


def _needs_a_person(what: str) -> NoReturn:
    raise NotRun(f"{what} by a person, and a test run asks nobody")


class NobodysHands:
    """A run asks nobody to arrange anything: what a person did is in the sign-off."""

    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None:
        """Raises NotRun."""
        _needs_a_person(f"'{setup}' must be arranged")

    def read(self, instrument: Instrument, joint: str) -> float:
        """Raises NotRun."""
        _needs_a_person(f"{instrument.name} must be read")

    def pose(self, joints_rad: Sequence[float]) -> None:
        """Raises NotRun."""
        _needs_a_person("the leg must be held")

    def let_go(self) -> None:
        """Nobody holds it."""

    def set_hook(self, height_m: float) -> None:
        """Raises NotRun."""
        _needs_a_person("the carriage's hook must be set")

    def pull_hook(self) -> None:
        """Raises NotRun."""
        _needs_a_person("the carriage's hook must be pulled")

    def power_cycle(self) -> None:
        """Raises NotRun."""
        _needs_a_person("the drives' supply must be switched off and on")

    def emergency_stop(self, *, pressed: bool) -> tuple[int, float]:
        """Raises NotRun."""
        _needs_a_person("the emergency stop must be pressed")


class PlayedHands(NobodysHands):
    """The person of a rehearsal, asked over the socket beside the channel."""

    def __init__(self, channel: str) -> None:
        self._channel = channel

    def arrange(self, setup: SetUp, mass_kg: float = 0.0) -> None:
        """Have leg and stand arranged. Raises NotRun when the rehearsal cannot."""
        from legtest.keeper.hands import RehearsalHands

        try:
            hands = RehearsalHands(self._channel)
            try:
                refused = hands.ask({"ask": "arrange", "setup": setup.value, "mass_kg": mass_kg}, ARRANGE_S)
            finally:
                hands.close()
        except (OSError, ValueError) as error:
            raise NotRun(f"'{setup}' was not arranged: the rehearsal does not answer: {error}") from error
        if refused:
            raise NotRun(f"'{setup}' was not arranged: {refused}")

    def read(self, instrument: Instrument, joint: str) -> float:
        """Raises NotRun."""
        raise NotRun(f"{instrument.name} is not read in a rehearsal")
