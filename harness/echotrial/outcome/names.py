"""How a reading relates to its truth: the names, and which of them are lies."""

from enum import StrEnum
from typing import Final


class Outcome(StrEnum):
    """One for every record and detector, whatever happened."""

    HIT = "hit"
    OFF = "off"
    UNDECIDED = "undecided"
    STRAY = "stray"
    ECHO_SKIP = "echo skip"
    CYCLE_SKIP = "cycle skip"
    AMBIGUOUS = "ambiguous"
    TAIL_LOCK = "tail lock"
    PHANTOM = "phantom"
    QUIET = "quiet"
    DROPOUT = "dropout"
    CRASHED = "crashed"
    TIMED_OUT = "timed out"
    INVALID = "invalid"
    NOT_APPLICABLE = "not applicable"


#: The detector did not do its work; these stay in every denominator.
FAULTS: Final = frozenset(
    {Outcome.CRASHED, Outcome.TIMED_OUT, Outcome.INVALID, Outcome.NOT_APPLICABLE}
)

#: Readings of something else than the wall. `AMBIGUOUS` is a skip of an echo or of a cycle, of
#: which the thickness alone cannot tell: wrong either way.
FALSE_LOCKS: Final = frozenset(
    {
        Outcome.ECHO_SKIP,
        Outcome.CYCLE_SKIP,
        Outcome.AMBIGUOUS,
        Outcome.TAIL_LOCK,
        Outcome.STRAY,
        Outcome.PHANTOM,
    }
)

#: False locks of records that have a wall.
WALL_LOCKS: Final = FALSE_LOCKS - {Outcome.PHANTOM}


class Rule(StrEnum):
    """What decided an outcome."""

    MARKS = "by marks"
    THICKNESS = "by thickness"
    STATUS = "by status"


class Direction(StrEnum):
    """Sign of the error of an `off` or a false lock on a wall; too thick keeps a bad part."""

    NONE = ""
    THICK = "thick"
    THIN = "thin"
