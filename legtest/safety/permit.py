"""The right to move: keys without authority, and the ledger on the loop's side that knows what they are worth."""

from __future__ import annotations

import os
import secrets
from typing import Literal, NamedTuple

from legtest.errors import NotPermitted

Kind = Literal["trial", "motion"]
TRIAL_NS = 2_000_000_000


class Permit(NamedTuple):
    """A key and nothing else: what it allows stands in the ledger that issued it."""

    token: bytes
    kind: Kind


class Grant(NamedTuple):
    """What a permit allows.

    axes: indices that may be energised; torque_Nm: cap of every axis; end_ns: void from then on.
    """

    kind: Kind
    axes: tuple[int, ...]
    torque_Nm: tuple[float, ...]
    end_ns: int


class Ledger:
    """Issues permits and answers what they are worth. Lives and dies with one loop."""

    def __init__(self) -> None:
        self._pid = os.getpid()
        self._grants: dict[bytes, Grant] = {}
        self._void = "no pre-check has passed"

    def issue(self, grant: Grant, now_ns: int) -> Permit:
        """A new key for a grant; called by the pre-check only. Raises NotPermitted for a trial that is too wide."""
        if grant.kind == "trial" and (len(grant.axes) != 1 or grant.end_ns - now_ns > TRIAL_NS):
            raise NotPermitted("a trial permit covers one axis for two seconds at most")
        permit = Permit(secrets.token_bytes(16), grant.kind)
        self._grants[permit.token] = grant
        return permit

    def grant(self, key: object, now_ns: int) -> Grant:
        """What a key allows now. Raises NotPermitted when it is unknown, void, ended, or held by a forked process."""
        if os.getpid() != self._pid:
            raise NotPermitted("this process is a copy of the one that passed the pre-check")
        grant = self._grants.get(key.token) if isinstance(key, Permit) else None
        if grant is None:
            raise NotPermitted(self._void)
        if now_ns >= grant.end_ns:
            raise NotPermitted(f"the {grant.kind} permit has ended; the pre-check must run again")
        return grant

    def revoke(self, reason: str) -> None:
        """Void every key; nothing revives one."""
        self._grants.clear()
        self._void = f"the permit is void: {reason}"
