"""How each outcome looks, everywhere: one colour, one hatch, one symbol, and always its word.

The eight colours of M. Okabe and K. Ito ("Color Universal Design", 2008; from memory) go to the
outcomes that are met most; the others have muted colours of P. Tol ("Colour Schemes", 2021; from
memory) and greys. Neighbours in a stack differ in hatch too, so nothing rests on colour alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from echotrial.outcome import Outcome


@dataclass(frozen=True)
class Look:
    """Colour, hatch of areas and symbol of points, in plotly's names, and a letter for a terminal.

    Attributes
    ----------
    about
        What the outcome means, in a few words.
    """

    colour: str
    hatch: str
    symbol: str
    about: str


LOOKS: Final[Mapping[Outcome, Look]] = {
    Outcome.HIT: Look("#009E73", "", "circle", "within tolerance of the true thickness"),
    Outcome.OFF: Look("#56B4E9", "/", "circle-open", "the right echoes, not within tolerance"),
    Outcome.UNDECIDED: Look("#BBBBBB", ".", "circle-dot", "the truth is too uncertain to tell"),
    Outcome.STRAY: Look("#882255", "x", "x", "wrong, without a nameable cause"),
    Outcome.ECHO_SKIP: Look("#E69F00", "\\", "triangle-up", "another number of wall round trips"),
    Outcome.CYCLE_SKIP: Look("#D55E00", "-", "diamond", "half a period or a period away"),
    Outcome.AMBIGUOUS: Look("#AA8844", "+", "star", "an echo skip or a cycle skip"),
    Outcome.TAIL_LOCK: Look("#CC79A7", "|", "square", "a mark in the tail of the interface echo"),
    Outcome.PHANTOM: Look("#F0E442", "x", "cross", "a thickness where there is no wall"),
    Outcome.QUIET: Look("#0072B2", "", "circle-open-dot", "no wall, and it says nothing: right"),
    Outcome.DROPOUT: Look("#999999", "", "line-ew-open", "there is a wall and it says nothing"),
    Outcome.CRASHED: Look("#5A5A5A", "x", "x-thin-open", "the detector broke down"),
    Outcome.TIMED_OUT: Look("#6E6E6E", "-", "hourglass", "it took longer than it may"),
    Outcome.INVALID: Look("#7A6A5A", "+", "asterisk-open", "an answer of the wrong form"),
    Outcome.NOT_APPLICABLE: Look("#C8C8C8", "/", "line-ns-open", "it cannot work with this set-up"),
}

#: Of true marks in an A-scan: interface echo, back-wall echoes, tail.
INTERFACE, BACK_WALL, TAIL = "#b35900", "#00707a", "#b35900"
