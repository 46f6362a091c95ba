"""From findings to verdicts."""

import math
from collections.abc import Iterable
from enum import StrEnum
from typing import Final

from scipy import special

from echotrial.compare.finding import Finding
from echotrial.scores.intervals import ALPHA

#: With which the records asked for would decide.
POWER: Final = 0.8
#: More records than anybody makes are none that would decide.
_TOO_MANY: Final = 1e9


class Verdict(StrEnum):
    """What a comparison comes to."""

    BETTER = "better"
    WORSE = "worse"
    SAME = "same within the margin"
    UNDECIDED = "undecided"
    NEWLY_FAILING = "newly failing"
    FIXED = "fixed"
    NOT_COMPARABLE = "not comparable"


#: A detector gets the first of these that any of its quantities has.
_GRAVITY: Final = (
    Verdict.NOT_COMPARABLE,
    Verdict.NEWLY_FAILING,
    Verdict.WORSE,
    Verdict.FIXED,
    Verdict.BETTER,
    Verdict.UNDECIDED,
    Verdict.SAME,
)


def decide(finding: Finding, level: float) -> Verdict:
    """Better or worse by more than chance and more than the margin; same; else undecided."""
    if finding.p_equivalence < ALPHA:
        return Verdict.SAME
    if finding.p_adjusted <= level and beyond(finding):
        return Verdict.WORSE if finding.worsening else Verdict.BETTER
    return Verdict.UNDECIDED


def beyond(finding: Finding) -> bool:
    """Whether the change is more than the margin."""
    return _size(finding) > _bound(finding)


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict on a detector from those on its quantities."""
    return min(verdicts, key=_GRAVITY.index)


def records_needed(finding: Finding, level: float) -> int | None:
    """About how many `prove` records would decide it, were effect and scatter what they seem.

    Within the margin: enough to call it the same; beyond: enough to call it better or worse; by
    the normal law, with `POWER`. None where no number would, or nothing is known.

    Parameters
    ----------
    level
        Of the one test, that is, after correction for the number of tests.
    """
    size, bound = _size(finding), _bound(finding)
    if not (finding.n > 0 and math.isfinite(size + finding.sd_one)):
        return None
    if finding.is_rate and finding.differing == 0:
        return _scaled(_without_difference(bound), finding)
    room = abs(bound - size)
    if room == 0 or finding.sd_one == 0:
        return None
    tail = ALPHA if size <= bound else level / 2
    reach = float(special.ndtri(1 - tail) + special.ndtri(POWER))
    pairs = (reach * finding.sd_one / (room if size <= bound else size)) ** 2
    return _scaled(pairs, finding)


def _without_difference(bound: float) -> float:
    """Pairs whose Tango interval, z^2 / (n + z^2) with none differing, lies within the margin."""
    return float(special.ndtri(ALPHA)) ** 2 * (1 / bound - 1) if bound > 0 else math.inf


def _scaled(pairs: float, finding: Finding) -> int | None:
    """`prove` records among which there are so many pairs."""
    found = max(pairs, finding.n + 1) * finding.records / finding.n
    return _round_up(found) if found < _TOO_MANY else None


def _round_up(count: float) -> int:
    """To two digits: it is an estimate."""
    unit: int = 10 ** max(0, int(math.log10(count)) - 1)
    return math.ceil(count / unit) * unit


def _size(finding: Finding) -> float:
    if finding.quantity == "spread":
        return abs(math.log1p(finding.effect)) if finding.effect > -1 else math.inf
    return abs(finding.effect)


def _bound(finding: Finding) -> float:
    return math.log1p(finding.margin) if finding.quantity == "spread" else finding.margin
