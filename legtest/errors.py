"""Every exception legtest raises on purpose, in one tree.

LegtestError
├── UsageError             the caller's mistake: option, argument, file
│   └── DescriptionError   a leg, stand or bench file is wrong; carries every problem found
├── LinkError              the bus under us
│   ├── BusBusy            the adapter cannot take a frame now
│   └── BusLost            the adapter or the bus is gone
├── DriveError             a drive answered, but not as it should
│   ├── DecodeError        a frame does not have the form its map says
│   ├── SdoAbort           the drive refused an object access; carries the CiA 301 code
│   └── SdoTimeout         the drive did not answer (also a TimeoutError)
├── SafetyError
│   ├── NotPermitted       no permit, or not for this
│   ├── PrecheckRefused    the pre-check found something; carries step, value, expected, cause
│   └── LegStopped         the monitor stopped the leg; carries the reasons
├── RecordError            a run record cannot be written or read
└── Judged                 how a verdict leaves a test
    ├── LegFailed          a value lies outside its limits
    ├── MeasurementInvalid the measurement went wrong, not the leg
    ├── Inconclusive       the uncertainty is too large to tell
    ├── NotJudged          the test ended without one verdict
    └── NotRun             a set-up, instrument or permission is missing
"""

from __future__ import annotations

from typing import NamedTuple


def printable(text: str) -> str:
    """The text with every character that does not print (controls, lone surrogates, direction marks) spelt out."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)


class LegtestError(Exception):
    """Base of all exceptions raised on purpose. Their text is printable, whatever names and files it quotes."""

    def __str__(self) -> str:
        return printable(super().__str__())


class UsageError(LegtestError):
    """The caller asked for something that cannot be."""


class Problem(NamedTuple):
    """One thing wrong in a file: where, which key, what was found, what would be right."""

    where: str
    key: str
    message: str

    def __str__(self) -> str:
        return f"{self.where}: {self.key}: {self.message}" if self.key else f"{self.where}: {self.message}"


_MOST_SHOWN, _LONGEST = 100, 2000  # problems in one message, characters of one


class DescriptionError(UsageError):
    """A description file is wrong; `problems` lists everything found in it, the message the first hundred."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        shown = map(str, problems[:_MOST_SHOWN])
        lines = [line if len(line) <= _LONGEST else f"{line[:_LONGEST]}..." for line in shown]
        more = [f"... and {len(problems) - _MOST_SHOWN} more problems"] if len(problems) > _MOST_SHOWN else []
        super().__init__("\n".join([*lines, *more]))


class LinkError(LegtestError):
    """The bus under us failed."""


class BusBusy(LinkError):
    """The adapter cannot take a frame now."""


class BusLost(LinkError):
    """The adapter or the bus is gone."""


class DriveError(LegtestError):
    """A drive answered, but not as it should."""


class DecodeError(DriveError):
    """A frame does not have the form its wire map says."""


class SdoAbort(DriveError):
    """The drive refused an object access.

    `code` is the CiA 301 abort code, so that tests compare numbers and people read words.
    """

    def __init__(self, node: int, index: int, sub: int, code: int, text: str) -> None:
        self.node, self.index, self.sub, self.code = node, index, sub, code
        super().__init__(f"node {node} refused object 0x{index:04X}:{sub:02X}: {text} (abort code 0x{code:08X})")


class SdoTimeout(DriveError, TimeoutError):
    """The drive did not answer an object access."""


class SafetyError(LegtestError):
    """Something that guards people or the leg said no."""


class NotPermitted(SafetyError):
    """There is no permit, or it does not cover this."""


class PrecheckRefused(SafetyError):
    """The pre-check found something and gave no permit."""

    def __init__(self, step: str, value: str, expected: str, cause: str, powered: bool) -> None:
        self.step, self.value, self.expected, self.cause, self.powered = step, value, expected, cause, powered
        tail = "" if powered else "; no power was applied"
        super().__init__(f"pre-check refused at '{step}': {value}; expected {expected}; likely cause: {cause}{tail}")


class LegStopped(SafetyError):
    """The motion monitor stopped the leg."""


class RecordError(LegtestError):
    """A run record cannot be written or read."""


class Judged(LegtestError):
    """How a verdict leaves a test."""


class LegFailed(Judged):
    """A value lies outside its limits."""


class MeasurementInvalid(Judged):
    """The measurement went wrong, not the leg."""


class Inconclusive(Judged):
    """The uncertainty is too large to tell."""


class NotJudged(Judged):
    """The test ended without one verdict."""


class NotRun(Judged):
    """A set-up, instrument or permission is missing."""
