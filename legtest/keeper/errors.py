"""Our errors across the pipe: the nearest class that both sides know, and the words it is made of."""

from __future__ import annotations

from legtest import errors
from legtest.errors import LegtestError, PrecheckRefused
from legtest.keeper.messages import Refused

_KNOWN: tuple[type[LegtestError], ...] = (
    errors.UsageError, errors.LinkError, errors.BusBusy, errors.BusLost, errors.DriveError, errors.SafetyError,
    errors.NotPermitted, errors.LegStopped, errors.RecordError, LegtestError,
)  # fmt: skip
_BY_NAME = {kind.__name__: kind for kind in _KNOWN}
_MOST = 4000  # characters of one text


def refusal(number: int, error: LegtestError) -> Refused:
    """An error as a message."""
    if isinstance(error, PrecheckRefused):
        words = (error.step, error.value, error.expected, error.cause)
        return Refused(number, "PrecheckRefused", tuple(word[:_MOST] for word in words), error.powered)
    name = next(kind.__name__ for kind in type(error).__mro__ if kind.__name__ in _BY_NAME)
    return Refused(number, name, (str(error)[: 2 * _MOST],), False)


def error_of(message: Refused) -> LegtestError:
    """The error in a message; LinkError for one that makes no sense."""
    if message.error == "PrecheckRefused" and len(message.words) == 4:
        return PrecheckRefused(*message.words, message.powered)
    kind = _BY_NAME.get(message.error)
    if kind is None or len(message.words) != 1:
        return errors.LinkError(f"the keeper does not speak as agreed: {message!r:.200}")
    return kind(message.words[0])
