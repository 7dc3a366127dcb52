"""The right to move: keys without authority, and the ledger on the loop's side that knows what they are worth."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal, NamedTuple, NoReturn

from legtest.errors import NotPermitted
from legtest.safety.setup import Setup

Kind = Literal["trial", "motion"]
TRIAL_NS = 2_000_000_000


class Permit(NamedTuple):
    """A key and nothing else: what it allows stands in the ledger that issued it. It is handed on, never copied."""

    token: bytes
    kind: Kind

    def __reduce__(self) -> NoReturn:
        raise TypeError("a permit is neither copied nor pickled")


class Grant(NamedTuple):
    """What a permit allows.

    axes: indices that may be energised; torque_Nm: cap of every axis; end_ns: void from then on.
    """

    kind: Kind
    axes: tuple[int, ...]
    torque_Nm: tuple[float, ...]
    end_ns: int


class Ledger:
    """Issues permits while a pre-check runs, and answers what they are worth. Lives and dies with one loop.

    generation: how often everything issued before was made void.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.generation = 0
        self._pid = os.getpid()
        self._grants: dict[bytes, Grant] = {}
        self._checking = False
        self._void = "no pre-check has passed"

    @property
    def live(self) -> bool:
        """Whether anything issued is still worth something (its end time apart)."""
        return bool(self._grants)

    @contextmanager
    def precheck(self) -> Iterator[None]:
        """The only span in which permits are issued. Trials do not outlive it; when it is cut short, nothing does."""
        self.revoke("a new pre-check has begun")
        self._checking = True
        try:
            yield
        except BaseException:
            self.revoke("the pre-check did not pass")
            raise
        finally:
            self._checking = False
            self._grants = {token: grant for token, grant in self._grants.items() if grant.kind == "motion"}

    def issue(self, grant: Grant, now_ns: int) -> Permit:
        """A new key for a grant. Raises NotPermitted outside a pre-check, and for a grant that is too wide."""
        if not self._checking or os.getpid() != self._pid:
            raise NotPermitted("permits are issued by a running pre-check alone")
        trial = grant.kind == "trial"
        if trial and (len(grant.axes) != 1 or grant.end_ns - now_ns > TRIAL_NS):
            raise NotPermitted("a trial permit covers one axis for two seconds at most")
        most = self.setup.trial_torque_Nm if trial else self.setup.torque_Nm
        if len(grant.torque_Nm) != len(most) or any(g > m for g, m in zip(grant.torque_Nm, most, strict=True)):
            raise NotPermitted(f"a {grant.kind} permit caps the torques at {most} N*m, not {grant.torque_Nm}")
        if grant.end_ns - now_ns > self.setup.permit_ns:
            raise NotPermitted(f"a permit lasts {self.setup.permit_ns / 1e9:g} s at most")
        permit = Permit(secrets.token_bytes(16), grant.kind)
        self._grants[permit.token] = grant
        return permit

    def grant(self, key: object, now_ns: int) -> Grant:
        """What a key allows now.

        Raises NotPermitted when it is no key, unknown, void, ended, mistyped, or held by a forked process.
        """
        if os.getpid() != self._pid:
            raise NotPermitted("this process is a copy of the one that passed the pre-check")
        genuine = type(key) is Permit and type(key.token) is bytes
        grant = self._grants.get(key.token) if genuine else None  # type: ignore[attr-defined]
        if grant is None:
            raise NotPermitted(self._void)
        if grant.kind != key.kind:  # type: ignore[attr-defined]
            raise NotPermitted(f"this key says that it is another than the {grant.kind} permit which it is")
        if now_ns >= grant.end_ns:
            raise NotPermitted(f"the {grant.kind} permit has ended; the pre-check must run again")
        return grant

    def revoke(self, reason: str) -> None:
        """Void every key; nothing revives one. The reason that comes first is the one told."""
        if self._grants:
            self._void = f"the permit is void: {reason}"
        self._grants.clear()
        self.generation += 1
