"""Reading + truth -> outcome. Pure: no files, no randomness, one record never affects another."""

from echotrial.outcome.classify import classify, judge, offsets_of
from echotrial.outcome.marks import NO_OFFSETS, MarkOffsets, mark_offsets
from echotrial.outcome.names import FALSE_LOCKS, FAULTS, WALL_LOCKS, Direction, Outcome, Rule

__all__ = [
    "FALSE_LOCKS",
    "FAULTS",
    "NO_OFFSETS",
    "WALL_LOCKS",
    "Direction",
    "MarkOffsets",
    "Outcome",
    "Rule",
    "classify",
    "judge",
    "mark_offsets",
    "offsets_of",
]
