"""The errors that a user sees, each with the exit code that its kind of trouble has."""

import difflib
from collections.abc import Iterable


class EchotrialError(Exception):
    """A message for the user: the value, the rule and the likely fix."""

    exit_code = 2


class WrongQuestion(EchotrialError):
    """Usage, or a file that cannot be what it should be (exit 2)."""


class Refused(EchotrialError):
    """The answer is no: a damaged corpus, a broken contract, a detector that got worse (exit 1)."""

    exit_code = 1


class NotToBeHad(EchotrialError):
    """Incomplete or out of reach: no network, no cluster, a plugin that failed to load (exit 3)."""

    exit_code = 3


class NotApplicable(Exception):
    """Raised by a detector's ``prepare``: it cannot work with this set-up, and says why."""


def nearest(wrong: str, valid: Iterable[str]) -> str:
    """Give the words `` (did you mean 'x'?)`` or, where nothing is near, all valid names."""
    names = sorted(valid)
    close = difflib.get_close_matches(wrong, names, n=1, cutoff=0.6)
    return f"did you mean '{close[0]}'?" if close else "known are: " + ", ".join(names)
