"""Who may be energised, as far as it can be known outside: told, or earned on the wire."""

from __future__ import annotations

from collections.abc import Sequence

from legtest.campaign.observer.plan import WirePlan

ENDED = "its permit has ended"
TRIALS = 3  # of each axis: sign and gain, lost communication, quick stop


class Permission:
    """Told by `grant` and `void`, or earned: identities read, silence noticed by every drive, trials of each axis."""

    def __init__(self, plan: WirePlan, told: bool) -> None:
        self._plan, self._told = plan, told
        self._axes: frozenset[int] = frozenset()
        self._caps: tuple[float, ...] = ()
        self._end_ns: int | None = None
        self._trial: tuple[int, int] | None = None  # axis, since
        self._on: set[int] = set()
        self.void()

    def void(self) -> None:
        """Nothing that was granted or earned counts any more."""
        self._identified: set[int] = set()
        self._noticed: set[int] = set()
        self._trials = [0] * len(self._plan.axes)
        self._axes, self._end_ns = frozenset(), None

    def grant(self, axes: Sequence[int], caps_Nm: Sequence[float], end_ns: int) -> None:
        """A permit was issued."""
        self._axes, self._caps, self._end_ns = frozenset(axes), tuple(caps_Nm), end_ns

    @property
    def end_ns(self) -> int | None:
        """When what was told ends."""
        return self._end_ns

    @property
    def motion(self) -> bool:
        """Whether more than a trial may be going on."""
        if self._told:
            return len(self._axes) > 1
        return min(self._trials) >= TRIALS

    # -- seen on the wire

    def identity_read(self, axis: int) -> None:
        self._identified.add(axis)

    def silence_noticed(self, axis: int) -> None:
        self._noticed.add(axis)

    def stage(self, axis: int, on: bool) -> None:
        """A power stage went on or off."""
        if on:
            self._on.add(axis)
        elif axis in self._on:
            self._on.discard(axis)
            self._trials[axis] += 1

    # -- asked

    def refusal(self, t_ns: int, axis: int) -> str:
        """Why this axis must not be energised or moved now; "" = it may."""
        if self._told:
            if axis not in self._axes:
                return "no permit covers it"
            return ENDED if self._end_ns is not None and t_ns >= self._end_ns else ""
        if self.motion:
            return ""
        everyone = set(range(len(self._plan.axes)))
        if self._identified != everyone or self._noticed != everyone:
            return "no pre-check was seen on the wire"
        if self._trial is None or (self._trial[0] != axis and self._trial[0] not in self._on):
            self._trial = (axis, t_ns)
        if self._on - {axis}:
            return "another axis is on in the same trial"
        if axis not in self._on:
            self._trial = (axis, t_ns)
        return "" if t_ns <= self._trial[1] + self._plan.trial_ns else "its trial has lasted too long"

    def cap_Nm(self, axis: int) -> float:
        """The largest torque cap that may be asked of an axis now."""
        if self._told:
            return self._caps[axis] if axis in self._axes else 0.0
        plan = self._plan.axes[axis]
        return plan.cap_Nm if self.motion else plan.trial_cap_Nm
