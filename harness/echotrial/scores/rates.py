"""A rate keeps what it was made of: events, records, and how sure that makes it."""

from dataclasses import dataclass

import numpy as np

from echotrial.scores.intervals import (
    ALPHA,
    NO_INTERVAL,
    Interval,
    lower_bound,
    upper_bound,
    wilson,
)
from echotrial.scores.sampling import Bools, Sampling


@dataclass(frozen=True)
class Rate:
    """`numerator` of `denominator` records, with a Wilson interval for display."""

    numerator: int
    denominator: int
    interval: Interval = NO_INTERVAL
    note: str = ""

    @property
    def value(self) -> float:
        """The rate; NaN of no records."""
        return self.numerator / self.denominator if self.denominator else np.nan


def rate(events: Bools, among: Bools, sampling: Sampling) -> Rate:
    """Share of events, (n,) bool, among some of the records, (n,) bool."""
    found = sampling.evidence(events, among, alpha=ALPHA / 2)
    k, n = int(np.count_nonzero(events & among)), int(np.count_nonzero(among))
    return Rate(k, n, wilson(found.k, found.n), found.note if n else "no records")


def at_least(events: Bools, among: Bools, sampling: Sampling, alpha: float = ALPHA) -> float:
    """Guaranteed lower bound of a rate (Clopper-Pearson), NaN without evidence."""
    found = sampling.evidence(events, among, alpha)
    return float(lower_bound(found.k, found.n, alpha))


def at_most(events: Bools, among: Bools, sampling: Sampling, alpha: float = ALPHA) -> float:
    """Guaranteed upper bound of a rate (Clopper-Pearson), NaN without evidence."""
    found = sampling.evidence(events, among, alpha)
    return float(upper_bound(found.k, found.n, alpha))
